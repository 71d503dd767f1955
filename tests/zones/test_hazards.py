"""Which cautions a closet shows, and that it shows no others."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.changes.steps import first_step_after
from sites.models import Amplifier, Block, CableType, Closet, DeviceModel, Site
from sites.services.closets import closet_alter
from sites.services.power import amplifier_add
from sites.services.sites import site_alter
from tests import factories
from zones.hazards import Hazards
from zones.limits.cautions import Caution
from zones.models import Run, Zone
from zones.services.landings import PairUse, landing_add, landing_end
from zones.services.points import point_alter
from zones.services.runs import run_correct

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON


def shown(closet: Closet, day: dt.date = BUILT, **known: Any) -> dict[Caution, str]:
    hazards = Hazards([closet.pk], {closet.site_id: first_step_after(day)})
    found = hazards.cautions(closet.site, [closet.pk], **{"zones": (), "limits": (), **known})
    return {one.caution: one.why for one in found}


def test_an_empty_closet_shows_none(closet: Closet) -> None:
    assert shown(closet) == {}


@pytest.mark.parametrize(
    ("said", "why"),
    [("yes", "zone Gangway serves life safety"), ("unknown", "life safety not recorded for zone Gangway")],
)
def test_life_safety(closet: Closet, said: str, why: str) -> None:
    zones = [Zone(name="Quay", life_safety="no"), Zone(name="Gangway", life_safety=said)]
    assert shown(closet, zones=zones)[Caution.LIFE_SAFETY] == why


@pytest.mark.parametrize(
    ("line_voltage_v", "warned"), [(100.0, True), (70.7, True), (25.0, False), (None, False)]
)
def test_a_line_that_shocks(closet: Closet, line_voltage_v: float | None, warned: bool) -> None:
    factories.make_amplifier(closet, line_voltage_v=line_voltage_v)
    assert (Caution.LINE_VOLTAGE in shown(closet)) is warned


def test_a_line_of_an_unknown_amplifier_may_shock(closet: Closet) -> None:
    amplifier_add(factories.change(closet.site), closet=closet, name="A 9")
    assert "not recorded" in shown(closet)[Caution.LINE_VOLTAGE]


def test_a_line_that_only_lands_here_shocks_as_well(closet: Closet, block: Block) -> None:
    """The amplifier stands in another closet; the conductors are touched in this one."""
    elsewhere: Amplifier = factories.make_amplifier(factories.make_closet(closet.site), name="A 1")
    factories.make_run(block, kind=Run.Kind.CONSTANT_VOLTAGE, amplifier=elsewhere)
    found = shown(closet)
    assert "70.7 V" in found[Caution.LINE_VOLTAGE]
    assert found[Caution.DISCONNECT] == f"energised here: amplifier A 1 (in closet {elsewhere.closet.name})"


def test_a_run_is_energised_where_it_lies_while_it_lies_there(closet: Closet, block: Block) -> None:
    elsewhere = factories.make_closet(closet.site)
    supply = factories.make_supply(elsewhere, name="PS 1")
    run = factories.make_run(factories.make_block(elsewhere), supply=supply)
    assert shown(closet) == {}
    landings = landing_add(
        factories.change(closet.site), block=block, row=1, pair=1, carries=PairUse.DC, run=run
    ).result
    there = {Caution.DISCONNECT: f"energised here: supply PS 1 (in closet {elsewhere.name})"}
    assert shown(closet) == there
    later = BUILT + dt.timedelta(days=9)
    landing_end(factories.change(closet.site, happened_on=later), landings=landings)
    assert shown(closet) == there
    assert shown(closet, later) == {}


def test_an_output_gives_a_self_amplified_run_only_its_sound(closet: Closet, block: Block) -> None:
    gateway = factories.make_gateway(factories.make_closet(closet.site), name="GW 1")
    run = factories.make_run(block, output=gateway.outputs.get(number=1))
    assert shown(closet) == {}
    run_correct(factories.change(closet.site), run=run, kind=Run.Kind.LOW_IMPEDANCE)
    assert "output 1 of GW 1" in shown(closet)[Caution.DISCONNECT]


def test_a_source_that_may_be_off_but_not_locked_out(closet: Closet) -> None:
    factories.make_supply(closet, name="PS 1")
    assert shown(closet)[Caution.DISCONNECT] == "energised here: supply PS 1"
    assert shown(closet, BUILT - dt.timedelta(days=1)) == {}, "it did not stand there yet"


def test_a_ladder(closet: Closet) -> None:
    closet_alter(factories.change(closet.site), closet=closet, ladder_m=3.6576)
    closet.refresh_from_db()
    assert shown(closet)[Caution.LADDER] == "work here is up to 3.7 m high"
    site_alter(factories.change(closet.site), length_unit="ft")
    closet.refresh_from_db()
    # 3.6576 m / 0.3048 m
    assert shown(closet)[Caution.LADDER] == "work here is up to 12 ft high"


@pytest.mark.parametrize(
    "field",
    [
        "name", "building", "room", "directions", "induction", "permits", "protective_equipment",
        "other_tenants", "dangers", "note",
    ],
)  # fmt: skip
def test_gas(closet: Closet, field: str) -> None:
    written: dict[str, Any] = {field: "beside the chlorine store"}
    closet_alter(factories.change(closet.site), closet=closet, **written)
    closet.refresh_from_db()
    assert "chlorine" in shown(closet)[Caution.GAS]


@pytest.mark.parametrize("field", ["induction", "permits", "dangers", "note"])
def test_gas_that_is_recorded_of_the_site(closet: Closet, field: str) -> None:
    written: dict[str, Any] = {field: "ammonia plant at the far end"}
    site_alter(factories.change(closet.site), **written)
    assert "ammonia" in shown(Closet.objects.get(pk=closet.pk))[Caution.GAS]


def test_every_recorded_danger(closet: Closet) -> None:
    site_alter(factories.change(closet.site), dangers="forklifts")
    closet_alter(factories.change(closet.site), closet=closet, dangers="water on the floor")
    closet = Closet.objects.get(pk=closet.pk)
    assert shown(closet)[Caution.DANGER] == "recorded here: forklifts; water on the floor"


def test_plenum_cable_on_a_run_from_here(closet: Closet, block: Block) -> None:
    cable: CableType = factories.make_cable(plenum=True)
    factories.make_points(factories.make_run(block), 1, cable_type=cable)
    assert "plenum cable" in shown(closet)[Caution.PLENUM]


def test_plenum_cable_until_it_is_replaced(closet: Closet, block: Block) -> None:
    cable: CableType = factories.make_cable(plenum=True)
    (point,) = factories.make_points(factories.make_run(block), 1, cable_type=cable)
    later = BUILT + dt.timedelta(days=9)
    point_alter(
        factories.change(closet.site, happened_on=later), point=point, cable_type=factories.make_cable()
    )
    assert Caution.PLENUM in shown(closet)
    assert Caution.PLENUM not in shown(closet, later)


def test_class_2_and_3_only_where_a_limit_of_theirs_is_concerned(closet: Closet) -> None:
    factories.make_supply(closet, factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=10.0))
    assert Caution.WIRING_CLASSES not in shown(closet)
    assert Caution.WIRING_CLASSES in shown(closet, limits={Caution.WIRING_CLASSES})


def test_what_is_asked_of_many_findings_is_answered_for_each(closet: Closet) -> None:
    """By one look at their closets: of other zones, other limits, another closet, or a site alone."""
    wet = factories.make_closet(closet.site, dangers="wet floor")
    other = factories.make_site(closet.site.customer, note="chlorine dosing")
    gangway, rules = Zone(name="Gangway", life_safety="yes"), Caution.LOCAL_CODE
    hazards = Hazards([closet.pk, wet.pk], {closet.site_id: first_step_after(BUILT)})

    def asked(site: Site, *closets: Closet, zones: list[Zone], limits: list[Caution]) -> set[Caution]:
        found = hazards.cautions(site, [one.pk for one in closets], zones=zones, limits=limits)
        return {one.caution for one in found}

    for _ in range(2):
        assert asked(closet.site, closet, zones=[], limits=[]) == set()
        assert asked(closet.site, closet, zones=[gangway], limits=[]) == {Caution.LIFE_SAFETY}
        assert asked(closet.site, closet, zones=[], limits=[rules]) == {Caution.LOCAL_CODE}
        assert asked(closet.site, wet, zones=[], limits=[]) == {Caution.DANGER, Caution.WET_PLACE}
        assert asked(closet.site, zones=[], limits=[]) == set()
        assert asked(other, zones=[], limits=[]) == {Caution.GAS}
