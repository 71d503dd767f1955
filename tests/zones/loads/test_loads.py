"""What a site carries on a day, how far each figure is from its limit, and what bears on a zone."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.models import Basis, DeviceModel
from sites.services.endpoints import endpoint_alter
from sites.services.sites import site_alter
from sites.services.switches import port_alter
from tests import factories
from tests.halls import Hall, lose_facts
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.loads.site_loads import Load, site_loads, smallest_headroom
from zones.loads.wording import render_loads
from zones.loads.zone_loads import loads_of_zones
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter
from zones.services.zones import zone_endpoint_add, zone_endpoint_end

pytestmark = pytest.mark.django_db
BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)


def only(hall: Hall, code: str, subject_id: int, as_of: dt.date = BUILT) -> Load:
    (load,) = (
        each
        for each in site_loads(hall.site.pk, as_of).loads
        if (each.code, each.subject_id) == (code, subject_id)
    )
    return load


def test_headroom_is_the_share_of_the_limit_that_is_left(hall: Hall) -> None:
    load = only(hall, "supply_current", hall.supply.pk)
    # by hand: 40 speakers at half of 80 mA are 1.60 A, measured ± 5 %; 0.8 of 2 A is 1.60 A
    assert load.likely == pytest.approx(1.60)
    assert [load.low, load.high] == pytest.approx([1.52, 1.68])
    assert load.limit == pytest.approx(1.60)
    assert load.headroom_likely == pytest.approx(0.0, abs=1e-9)
    assert load.headroom_worst == pytest.approx(-0.05)
    assert load.verdict is Verdict.CANNOT_TELL
    assert load.supported == pytest.approx(1.0)


def test_headroom_of_a_figure_that_must_not_fall(hall: Hall) -> None:
    load = only(hall, "run_voltage", hall.run.pk)
    assert load.likely is not None
    assert load.high is not None
    assert load.limit == 18.0
    assert load.headroom_likely == pytest.approx((load.likely - 18) / 18)
    assert load.headroom_worst == pytest.approx((load.high - 18) / 18)
    assert load.high < load.likely


def test_no_headroom_where_a_rating_is_not_known(hall: Hall) -> None:
    factories.make_points(
        hall.run, 1, factories.make_model(DeviceModel.Kind.HORN, minimum_voltage_v=None), happened_on=LATER
    )
    load = only(hall, "run_voltage", hall.run.pk, LATER)
    assert (load.high, load.headroom_worst, load.verdict) == (None, None, Verdict.CANNOT_TELL)


def test_no_headroom_within_a_limit_that_is_never_near(hall: Hall) -> None:
    """A class 4 device needs 30 W: all that a type 2 port delivers; type 1 delivers 15.4 W (IEEE 802.3)."""
    port = hall.switch.ports.get(number=3)
    endpoint_alter(factories.change(hall.site), endpoint=hall.gateway, negotiated_class=4)
    load = only(hall, "port_type", port.pk)
    assert (load.likely, load.limit, load.headroom_likely, load.headroom_worst) == (30.0, 30.0, None, None)
    port_alter(factories.change(hall.site), port=port, port_type=1)
    load = only(hall, "port_type", port.pk)
    assert load.headroom_likely == pytest.approx((15.4 - 30.0) / 15.4)


def test_a_day_is_asked_and_no_other(hall: Hall) -> None:
    factories.make_points(
        hall.run, 4, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=LATER
    )
    before, after = BUILT, LATER
    assert only(hall, "supply_current", hall.supply.pk, before).likely == pytest.approx(1.60)
    assert only(hall, "supply_current", hall.supply.pk, after).likely == pytest.approx(1.76)
    assert site_loads(hall.site.pk, BUILT - dt.timedelta(days=1)).loads == ()


def test_the_tightest_is_the_one_of_least_likely_headroom(hall: Hall) -> None:
    tightest = smallest_headroom(site_loads(hall.site.pk, BUILT).loads)
    assert tightest is not None
    assert (tightest.code, tightest.subject_id) == ("supply_current", hall.supply.pk)
    assert smallest_headroom([]) is None


def test_worst_first(hall: Hall) -> None:
    found = site_loads(hall.site.pk, BUILT)
    chosen = found.of(load.subject for load in found.loads)
    assert [load.verdict for load in chosen] == sorted((load.verdict for load in chosen), reverse=True)
    assert len(chosen) == len(found.loads)
    assert found.of([]) == ()


def test_what_bears_on_a_zone(hall: Hall) -> None:
    subjects = site_loads(hall.site.pk, BUILT).bearing
    port = hall.switch.ports.get(number=3)
    assert subjects[hall.zone.pk] == {
        (SubjectKind.RUN, hall.run.pk),
        (SubjectKind.OUTPUT, hall.output.pk),
        (SubjectKind.SUPPLY, hall.supply.pk),
        (SubjectKind.ENDPOINT, hall.gateway.pk),
        (SubjectKind.PORT, port.pk),
        (SubjectKind.SWITCH, hall.switch.pk),
        (SubjectKind.BLOCK, hall.block.pk),
    }
    assert (SubjectKind.RUN, hall.run.pk) not in subjects[hall.gangway.pk]


def test_a_supply_in_mid_run_and_a_strayed_speaker_bear_too(hall: Hall) -> None:
    second = factories.make_supply(hall.closet, name="PS 2")
    change = factories.change(hall.site, happened_on=LATER)
    point_alter(change, point=hall.points[5], feed_supply=second, negative_cut=True)
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker, zone=hall.gangway)
    subjects = site_loads(hall.site.pk, LATER).bearing
    assert (SubjectKind.SUPPLY, second.pk) in subjects[hall.zone.pk]
    assert {(SubjectKind.RUN, hall.run.pk), (SubjectKind.SUPPLY, second.pk)} <= subjects[hall.gangway.pk]
    earlier = site_loads(hall.site.pk, BUILT).bearing
    assert (SubjectKind.SUPPLY, second.pk) not in earlier[hall.zone.pk]


def test_a_run_bears_on_the_zone_it_is_patched_to_that_day(hall: Hall) -> None:
    run_alter(factories.change(hall.site, happened_on=LATER), run=hall.run, zone=hall.gangway)
    assert hall.zone.pk not in site_loads(hall.site.pk, LATER).bearing
    assert hall.zone.pk in site_loads(hall.site.pk, BUILT).bearing


def test_a_network_speaker_bears_on_its_zone_for_as_long_as_it_is_heard_there(hall: Hall) -> None:
    heard = zone_endpoint_add(factories.change(hall.site), zone=hall.gangway, endpoint=hall.gateway).result
    other = factories.make_zone(hall.site, name="Quay")
    speaker = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    zone_endpoint_add(factories.change(hall.site), zone=other, endpoint=speaker)
    zone_endpoint_end(factories.change(hall.site, happened_on=LATER), zone_endpoint=heard)
    assert site_loads(hall.site.pk, LATER).bearing[other.pk] == {(SubjectKind.ENDPOINT, speaker.pk)}


def test_what_cannot_be_computed_is_told_by_its_id(hall: Hall) -> None:
    lose_facts(hall.points[5])
    found = site_loads(hall.site.pk, LATER)
    run = (SubjectKind.RUN, hall.run.pk)
    ((subject, reason),) = found.problems_of([run])
    assert subject == run
    assert reason == "parent_missing"
    assert found.problems_of([(SubjectKind.RUN, hall.gangway_run.pk)]) == ()


def test_a_block_that_only_dc_lies_on_bears_on_the_zone_of_the_run(hall: Hall) -> None:
    power = factories.make_block(hall.closet, name="DC block")
    change = factories.change(hall.site, happened_on=LATER)
    landing_add(change, block=power, row=1, pair=2, carries=PairUse.DC, run=hall.run)
    subject = (SubjectKind.BLOCK, power.pk)
    assert subject in site_loads(hall.site.pk, LATER).bearing[hall.zone.pk]
    assert subject not in site_loads(hall.site.pk, BUILT).bearing[hall.zone.pk]


def test_what_is_in_order_is_told_without_its_trouble(hall: Hall) -> None:
    said = [one.sentence for one in render_loads(site_loads(hall.site.pk, BUILT).loads, "m")]
    assert f"Conductor current, run {hall.run.name}: 0.40 A; limit 1.00 A." in said
    assert not any("reversed on" in sentence or "may get no power" in sentence for sentence in said)


def test_a_site_that_counts_in_feet_reads_feet(hall: Hall) -> None:
    """110 m / 0.3048 = 360.9 ft and 100 m / 0.3048 = 328.1 ft; the figures stay in metres."""
    change = factories.change(hall.site)
    endpoint_alter(change, endpoint=hall.gateway, cable_length_m=110.0, cable_length_basis=Basis.MEASURED)
    site_alter(factories.change(hall.site), length_unit="ft")
    loads = site_loads(hall.site.pk, BUILT)
    (cable,) = (
        one
        for one in loads_of_zones(loads, [hall.zone.pk])[hall.zone.pk].figures
        if one.load.code == "endpoint_cable"
    )
    assert (cable.figure, cable.limit_text) == ("361 ft", "limit 328 ft")
    assert "361 ft" in cable.sentence
    assert (cable.load.likely, cable.load.limit, cable.limit.unit) == (110.0, 100.0, "m")
