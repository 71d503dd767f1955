"""All that falls silent with a source, by the record: life safety first."""

from __future__ import annotations

import pytest

from sites.changes.steps import first_step_after
from sites.models import Contact, DeviceModel
from sites.services.closets import contact_add
from tests import factories
from tests.halls import Hall
from zones.models import Run, Zone
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_append
from zones.services.runs import run_alter
from zones.services.zones import zone_alter
from zones.sheets.silenced import silenced, whom_to_tell
from zones.sheets.wiring import isolation_of_run

pytestmark = pytest.mark.django_db
NOW = first_step_after(factories.BUILT_ON)


def test_every_zone_on_the_supply_is_named_life_safety_first(hall: Hall) -> None:
    change = factories.change(hall.site)
    zone_alter(change, zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    zone_alter(change, zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    loft = factories.make_zone(hall.site, name="Loft")
    # a speaker of another zone on one of the runs falls silent with it
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker, zone=loft)
    said = silenced(hall.site.pk, NOW).by_source["supply", hall.supply.pk]
    assert (
        said == "zone Gangway (serves life safety), zone Loft (life safety not recorded) and zone Ticket hall"
    )


def test_a_run_without_a_zone_is_named_itself_and_what_another_source_feeds_is_not(hall: Hall) -> None:
    other = factories.make_supply(hall.closet, name="PS 2")
    run_alter(factories.change(hall.site), run=hall.run, supply=other, zone=None)
    said = silenced(hall.site.pk, NOW).by_source
    assert said["supply", other.pk] == "run R1"
    assert "Ticket hall" not in said["supply", hall.supply.pk]


def test_a_run_that_is_disconnected_silences_its_zone_and_those_of_its_strays(hall: Hall) -> None:
    change = factories.change(hall.site)
    zone_alter(change, zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    loft = factories.make_zone(hall.site, name="Loft", life_safety=Zone.LifeSafety.YES)
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker, zone=loft)
    bare = factories.make_run(hall.block, name="R9", zone=None, supply=hall.supply)
    by_run = silenced(hall.site.pk, NOW).by_run
    assert by_run[hall.run.pk] == "zone Loft (serves life safety) and zone Ticket hall"
    assert by_run[hall.gangway_run.pk] == "zone Gangway (life safety not recorded)"
    assert bare.pk not in by_run


def test_a_network_amplifier_is_locked_out_whole_so_the_zones_on_all_its_outputs_are_named(
    hall: Hall,
) -> None:
    change = factories.change(hall.site)
    zone_alter(change, zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    zone_alter(change, zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    model = factories.make_model(DeviceModel.Kind.NETWORK_AMPLIFIER, output_count=2)
    driver = factories.make_gateway(hall.closet, model, name="NA 1")
    lines = [
        factories.make_run(
            hall.block,
            kind=Run.Kind.CONSTANT_VOLTAGE,
            name=f"L{number}",
            zone=zone,
            output=driver.outputs.get(number=number),
        )
        for number, zone in ((1, hall.zone), (2, hall.gangway))
    ]
    landing_add(change, block=hall.block, row=11, pair=1, carries=PairUse.LINE, run=lines[0])
    assert isolation_of_run(lines[0], NOW).sentence == (
        "First switch off NA 1, which drives a line whose voltage is not recorded, and lock it out. "
        f"Pull clips 11 and 12 on {hall.block.name}. "
        "Silent while NA 1 is off: zone Gangway (serves life safety) and zone Ticket hall. "
        "Tell the people there before and after: no site contact is recorded."
    )


def test_a_gateway_silences_its_self_amplified_runs_and_feeds_them_no_power(hall: Hall) -> None:
    said = silenced(hall.site.pk, NOW).by_source
    assert said["endpoint", hall.gateway.pk] == said["supply", hall.supply.pk]
    assert "GW 1" not in isolation_of_run(hall.run, NOW).sentence


def test_whom_to_tell(hall: Hall) -> None:
    assert whom_to_tell(hall.site.pk, hall.closet.pk) == ""
    elsewhere = factories.make_closet(hall.site)
    change = factories.change(hall.site)
    contact_add(change, name="A. Stern", role=Contact.Role.SITE)
    contact_add(change, name="T. Brack", role=Contact.Role.SITE, closet=hall.closet)
    contact_add(change, name="N. Wick", role=Contact.Role.NETWORK)
    contact_add(change, name="O. Far", role=Contact.Role.SITE, closet=elsewhere)
    assert whom_to_tell(hall.site.pk, hall.closet.pk) == "A. Stern and T. Brack"
