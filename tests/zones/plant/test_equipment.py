"""What stands in closets, and what lands on its blocks."""

from __future__ import annotations

from typing import Any

import pytest

from sites.changes.steps import first_step_after
from sites.models import (
    AmplifierFacts,
    EndpointFacts,
)
from tests.zones.plant.plant_rows import LATER, LATEST, expect, reading, rows
from tests.zones.recording import DAY, SiteRecord, cable_type, device_model
from zones.electrical import plant as p
from zones.electrical.plant import FOREVER
from zones.models import (
    ClipFacts,
    Landing,
    PagingSet,
    PagingSetZone,
)
from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db


def test_what_an_output_is_follows_its_endpoint() -> None:
    first_model = device_model("gateway", output_impedance_ohm=100.0, output_speakers_max=20)
    next_model = device_model("gateway", output_impedance_ohm=50.0, output_level_v=1.2)
    record = SiteRecord()
    with record.change() as first:
        endpoint = record.endpoint(first_model)
        output = record.output(endpoint, 1)
    with record.change(LATER) as second:
        record.make(EndpointFacts, endpoint=endpoint, model=next_model)
        other = record.output(endpoint, 2)
    with record.change(LATEST) as third:
        record.end(output, third)

    plant = read_plant([record.site_id])
    before, after = rows(plant, "outputs", output=output.pk)
    (added,) = rows(plant, "outputs", output=other.pk)

    expect(
        before,
        begin=first.step,
        end=second.step,
        impedance_ohm=100.0,
        speakers_max=20.0,
        level_v=None,
        changed_by=first.pk,
    )
    expect(after, begin=second.step, end=third.step, impedance_ohm=50.0, speakers_max=None, level_v=1.2)
    expect(added, begin=second.step, end=FOREVER, impedance_ohm=50.0)


def test_what_powers_an_endpoint() -> None:
    speaker = device_model("network_speaker", poe_class=3, paging_poe_w=9.0)
    wire = cable_type(gauge_awg=24)
    record = SiteRecord()
    with record.change() as first:
        switch = record.switch(power_supply_count=2, usage_threshold=0.7)
        port = record.port(switch)
        negotiated = record.endpoint(
            speaker,
            "NS 1",
            port=port,
            power_source="port",
            negotiated_class=4,
            negotiated_power_w=21.5,
            cable_length_m=40.0,
            cable_length_basis=3,
            cable_type=wire,
        )
        plain = record.endpoint(speaker, "NS 2", power_source="injector")
        adapter = record.endpoint(None, "NS 3", power_source="adapter")
        unknown = record.endpoint(None, "NS 4")

    plant = read_plant([record.site_id])
    found = {row["endpoint"]: row for row in rows(plant, "endpoints")}

    expect(
        found[negotiated.pk],
        port=port.pk,
        poe_class=4,
        negotiated_power_w=21.5,
        paging_power_w=9.0,
        length_m=40.0,
        length_basis=3,
        over_cable=True,
        begin=first.step,
    )
    expect(
        found[plain.pk],
        port=None,
        poe_class=3,
        negotiated_power_w=None,
        length_m=None,
        length_basis=0,
        over_cable=True,
    )
    expect(found[adapter.pk], poe_class=None, over_cable=False)
    expect(found[unknown.pk], over_cable=True)
    assert plant.cables.cable_id[plant.endpoints.cable_index[plant.endpoints.cable_index >= 0]] == [wire.pk]
    expect(rows(plant, "switches")[0], power_supply_count=2, usage_threshold=0.7)


def test_budgets_and_port_type_are_those_of_the_switch_model() -> None:
    model = device_model(
        "switch", poe_budget_w=130.0, poe_budget_one_lost_w=65.0, power_supplies_max=2, port_type=3
    )
    record = SiteRecord()
    with record.change():
        record.port(record.switch(model), port_type=1)
    plant = read_plant([record.site_id])
    expect(
        rows(plant, "switches")[0],
        budget_w=130.0,
        budget_one_lost_w=65.0,
        power_supplies_max=2,
        power_supply_count=None,
        port_type=3,
    )
    expect(rows(plant, "ports")[0], port_type=1)


def test_addresses_are_alike_where_address_and_vlan_are() -> None:
    record, other_site = SiteRecord(), SiteRecord()
    with record.change():
        record.endpoint(name="GW 1", address="10.20.0.5", vlan=7)
        record.endpoint(name="GW 2", address="10.20.0.5", vlan=7)
        record.endpoint(name="GW 3", address="10.20.0.5", vlan=8)
        record.endpoint(name="GW 4", address="10.20.0.5")
        record.endpoint(name="GW 5")
    with other_site.change():
        other_site.endpoint(address="10.20.0.5", vlan=7)

    plant = read_plant([record.site_id, other_site.site_id])
    codes = plant.addresses.address_code.tolist()

    assert len(codes) == 5
    assert codes[0] == codes[1]
    assert len(set(codes)) == 4
    assert len(set(plant.addresses.group.tolist())) == 2


def test_what_an_amplifier_is() -> None:
    model = device_model("amplifier", rated_power_w=120.0, minimum_impedance_ohm=4.0)
    record = SiteRecord()
    with record.change():
        amplifier = record.amplifier(model, line_voltage_v=70.7)
    with record.change(LATER) as second:
        record.make(AmplifierFacts, amplifier=amplifier, model=model, line_voltage_v=None)
    line, low = rows(read_plant([record.site_id]), "amplifiers")
    expect(
        line,
        amplifier=amplifier.pk,
        rated_power_w=120.0,
        line_voltage_v=70.7,
        minimum_impedance_ohm=4.0,
        end=second.step,
    )
    expect(low, line_voltage_v=None, rated_power_w=120.0)


def test_landings_say_what_lies_where() -> None:
    record = SiteRecord()
    with record.change() as first:
        run, supply = record.run(), record.supply()
        facts: dict[str, Any] = {"block": record.block, "row": 4, "pair": 1, "conductor": "first"}
        field = record.make(Landing, side="field", run=run, carries="dc_negative", **facts)
        record.make(Landing, side="equipment", supply=supply, carries="dc_positive", **facts)
    with record.change(LATER) as second:
        record.end(field, second)

    plant = read_plant([record.site_id])
    at_field, at_equipment = sorted(rows(plant, "landings"), key=lambda row: not row["field_side"])

    expect(
        at_field,
        block=record.block.pk,
        row=4,
        field_side=True,
        carries=p.Carries.DC_NEGATIVE,
        pair=1,
        cable_code=run.pk * 4,
        begin=first.step,
        end=second.step,
    )
    expect(at_equipment, field_side=False, carries=p.Carries.DC_POSITIVE, end=FOREVER)
    expect(at_equipment, pair=1, cable_code=supply.pk * 4 + 2)


def test_a_clip_is_as_recorded_until_the_next_record_of_it() -> None:
    record = SiteRecord()
    with record.change() as first:
        record.make(ClipFacts, block=record.block, row=3, is_in=False)
    with record.change(LATER) as second:
        record.make(ClipFacts, block=record.block, row=3, is_in=True)
        record.make(ClipFacts, block=record.block, row=4, is_in=False)
    plant = read_plant([record.site_id])
    out, put_in, other = rows(plant, "clips")
    expect(out, block=record.block.pk, row=3, is_in=False, begin=first.step, end=second.step)
    expect(put_in, row=3, is_in=True, begin=second.step, end=FOREVER, clip_code=out["clip_code"])
    expect(other, row=4, is_in=False, end=FOREVER, clip_code=out["clip_code"] + 1)


def test_a_paging_set_names_its_zones_for_as_long_as_it_stands() -> None:
    record = SiteRecord()
    with record.change() as first:
        hall, lanes = record.zone("Ticket hall"), record.zone("Marshalling lanes")
        paging_set = record.make(PagingSet, name="boarding")
        for zone in (hall, lanes):
            record.make(PagingSetZone, paging_set=paging_set, zone=zone)
    with record.change(LATER) as second:
        record.end(paging_set, second)

    found = rows(read_plant([record.site_id]), "paging")

    assert [row["zone_id"] for row in found] == [hall.pk, lanes.pk]
    for row in found:
        expect(row, set_id=paging_set.pk, begin=first.step, end=second.step)


def test_power_readings_are_summed_over_groups_and_hold_until_the_next() -> None:
    record = SiteRecord()
    with record.change():
        switch = record.switch()
    common: dict[str, Any] = {"kind": "poe_power", "switch": switch}
    reading(record, DAY, state="paging", power_group=1, value=30.0, **common)
    reading(record, DAY, state="paging", power_group=1, value=33.0, **common)  # read again: the last counts
    wrong = reading(record, DAY, state="paging", power_group=2, value=500.0, **common)
    reading(record, DAY, state="paging", power_group=2, value=50.0, supersedes=wrong, **common)
    reading(record, DAY, state="idle", power_group=1, value=20.0, **common)
    reading(record, LATER, state="paging", power_group=1, value=90.0, **common)

    found = rows(read_plant([record.site_id]), "poe_readings")
    watts = [(row["state"], row["power_w"], row["begin"], row["end"]) for row in found]

    first, second = first_step_after(DAY) - 1, first_step_after(LATER) - 1
    assert sorted(watts) == [
        (p.State.IDLE, 20.0, first, FOREVER),
        (p.State.PAGING, 83.0, first, second),
        (p.State.PAGING, 90.0, second, FOREVER),
    ]
    assert {row["switch"] for row in found} == {switch.pk}


@pytest.mark.parametrize(
    ("groups", "watts"),
    [
        ([(1, 30.0), (2, 50.0), (None, 84.0)], 84.0),
        ([(None, 84.0), (1, 30.0), (2, 50.0)], 80.0),
        ([(1, 30.0), (None, 84.0), (2, 50.0)], 80.0),
        ([(None, 84.0), (None, 85.0)], 85.0),
    ],
)
def test_a_switch_read_as_a_whole_is_not_added_to_its_groups(
    groups: list[tuple[int | None, float]], watts: float
) -> None:
    """What was read last on a day says which of both counts."""
    record = SiteRecord()
    with record.change():
        switch = record.switch()
    for group, value in groups:
        reading(record, DAY, kind="poe_power", switch=switch, state="idle", power_group=group, value=value)

    assert [row["power_w"] for row in rows(read_plant([record.site_id]), "poe_readings")] == [watts]
