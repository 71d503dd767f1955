"""The devices, blocks and runs of a closet sheet, and how each run is disconnected."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.models import DeviceModel, Switch
from sites.services.endpoints import endpoint_alter, endpoint_move
from sites.services.power import supply_alter
from sites.services.switches import switch_alter
from tests import factories
from tests.halls import Hall
from tests.zones.sheets.sheets import LATER, sheet_of
from zones.models import Run
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.points import point_alter
from zones.services.zones import zone_endpoint_add
from zones.sheets.equipment import PortHere

pytestmark = pytest.mark.django_db


def test_what_stands_there(hall: Hall) -> None:
    change = factories.change(hall.site)
    endpoint_alter(
        change,
        endpoint=hall.gateway,
        address="10.20.4.11",
        firmware="4.2.1",
        configuration_backup="office, folder PA",
    )
    switch_alter(change, switch=hall.switch, owner=Switch.Owner.CUSTOMER)
    supply_alter(
        change, supply=hall.supply, outlet="Wall 3", breaker="T 17", battery_installed_on=dt.date(2023, 5, 1)
    )
    factories.make_amplifier(hall.closet, name="A 1")
    found = sheet_of(hall.closet).equipment
    (switch,), (gateway,), (supply,), (amplifier,) = (
        found.switches,
        found.endpoints,
        found.supplies,
        found.amplifiers,
    )
    assert (switch.owner, switch.touch) == ("customer: do not touch", False)
    port = hall.switch.ports.get(number=3)
    assert switch.ports == (PortHere(port.pk, 3, hall.gateway.pk, "GW 1"),)
    assert (gateway.address, gateway.firmware) == ("10.20.4.11", "4.2.1")
    assert gateway.configuration_backup == "office, folder PA"
    assert (gateway.powered_by, gateway.outputs) == ("PoE from port 3 of SW 1", (1, 2))
    assert (supply.outlet, supply.breaker, supply.rated_current_a) == ("Wall 3", "T 17", 2.0)
    assert supply.battery_installed_on == dt.date(2023, 5, 1)
    assert (amplifier.line, amplifier.line_voltage_v) == ("70.7 V line", 70.7)


def test_a_device_elsewhere_on_a_switch_here(hall: Hall) -> None:
    """It, and the zone it is heard in, depend on this closet."""
    speaker = factories.make_gateway(
        factories.make_closet(hall.site), factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER), name="NS 1"
    )
    change = factories.change(hall.site)
    endpoint_move(change, endpoint=speaker, port=hall.switch.ports.get(number=4))
    quay = factories.make_zone(hall.site, name="Quay")
    zone_endpoint_add(change, zone=quay, endpoint=speaker)
    sheet = sheet_of(hall.closet)
    assert [port.endpoint for port in sheet.equipment.switches[0].ports] == ["GW 1", "NS 1"]
    assert [one.name for one in sheet.equipment.endpoints] == ["GW 1"]
    assert "Quay" in [one.zone.name for one in sheet.zones]


def test_rows_of_a_block(hall: Hall) -> None:
    clip_pull(factories.change(hall.site, happened_on=LATER), block=hall.block, rows=[3, 9])
    (block,) = sheet_of(hall.closet, LATER).wiring.blocks
    rows = {row.number: row for row in block.rows}
    assert sorted(rows) == [*range(1, 10)]
    assert [(row.number, row.clip) for row in block.rows if row.clip == "out"] == [(3, "out"), (9, "out")]
    equipment, field = rows[4].conductors
    assert (equipment.side, equipment.of, equipment.zone) == ("equipment", "supply PS 1", "")
    assert (field.side, field.of, field.zone) == ("field", "run R1", "Ticket hall")
    # ANSI/ICEA colour code: the second pair is white and orange
    assert (field.pair, field.colour, field.carries) == (2, "orange-white", "DC negative")
    assert rows[9].conductors == ()
    assert all(row.clip == "in" for row in sheet_of(hall.closet).wiring.blocks[0].rows)


def test_how_to_disconnect_each_run(hall: Hall) -> None:
    runs = {run.name: run for run in sheet_of(hall.closet).wiring.runs}
    silent = (
        "Silent while supply PS 1 is off: zone Gangway (life safety not recorded) and zone Ticket hall (life "
        "safety not recorded). Tell the people there before and after: no site contact is recorded."
    )
    assert runs["R1"].isolation.sentence == f"Pull clips 1 to 4 on {hall.block.name}. {silent}"
    assert runs["R2"].isolation.sentence == f"Pull clips 5 to 8 on {hall.block.name}. {silent}"
    assert all(run.isolation.complete for run in runs.values())
    assert (runs["R1"].zone, runs["R1"].fed_by) == ("Ticket hall", "output 1 of GW 1 and supply PS 1")


def test_two_wires_on_one_clip_are_said_with_the_row_and_with_both_runs(hall: Hall) -> None:
    landing_add(
        factories.change(hall.site),
        block=hall.block,
        row=1,
        pair=3,
        carries=PairUse.AUDIO,
        run=hall.gangway_run,
    )
    wiring = sheet_of(hall.closet).wiring
    assert wiring.blocks[0].rows[0].remark == "2 conductors on the field side; 1 allowed"
    runs = {run.name: run.isolation.sentence for run in wiring.runs}
    assert "This disconnects run R2 as well." in runs["R1"]
    assert "This disconnects run R1 as well." in runs["R2"]


def test_a_supply_along_the_run_is_named(hall: Hall) -> None:
    far = factories.make_supply(factories.make_closet(hall.site, name="IDF-2"), name="PS 2")
    point_alter(factories.change(hall.site), point=hall.points[5], feed_supply=far, negative_cut=True)
    run = next(run for run in sheet_of(hall.closet).wiring.runs if run.name == "R1")
    assert "It stays fed by supply PS 2 (in closet IDF-2) at point 6" in run.isolation.sentence
    assert not run.isolation.complete


def test_a_run_that_leaves_elsewhere_and_lies_here_makes_its_zone_depend_on_this_closet(hall: Hall) -> None:
    here = factories.make_closet(hall.site, name="IDF-2")
    block = factories.make_block(here, name="X")
    assert sheet_of(here).zones == ()
    landing_add(factories.change(hall.site), block=block, row=1, pair=2, carries=PairUse.DC, run=hall.run)
    sheet = sheet_of(here)
    assert [one.zone for one in sheet.zones] == [hall.zone]
    assert sheet.life_safety.zones == (hall.zone,)
    (run,) = sheet.wiring.runs
    assert run.isolation.sentence.startswith(
        f"Pull clips 1 and 2 on X. Pull clips 1 to 4 on {hall.block.name} (in closet {hall.closet.name}). "
        f"Silent while supply PS 1 (in closet {hall.closet.name}) is off: zone "
    )


def test_a_line_driven_by_a_network_amplifier_is_switched_off_first(hall: Hall) -> None:
    """Its voltage is not recorded with the output, so it is taken to be one that shocks."""
    model = factories.make_model(DeviceModel.Kind.NETWORK_AMPLIFIER, output_count=1)
    driver = factories.make_gateway(hall.closet, model, name="NA 1")
    run = factories.make_run(
        hall.block,
        kind=Run.Kind.CONSTANT_VOLTAGE,
        name="L1",
        zone=hall.zone,
        output=driver.outputs.get(),
    )
    landing_add(factories.change(hall.site), block=hall.block, row=11, pair=1, carries=PairUse.LINE, run=run)
    sheet = sheet_of(hall.closet)
    found = next(one for one in sheet.wiring.runs if one.name == "L1")
    assert found.fed_by == "output 1 of NA 1"
    assert found.isolation.sentence.startswith(
        "First switch off NA 1, which drives a line whose voltage is not recorded, and lock it out. Pull "
        f"clips 11 and 12 on {hall.block.name}. Silent while NA 1 is off: zone Ticket hall "
    )
    assert "line_voltage" in [one.caution for one in sheet.cautions]
