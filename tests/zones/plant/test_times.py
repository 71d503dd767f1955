"""When what is recorded holds: from which step, and until which."""

from __future__ import annotations

import pytest
from django.db import IntegrityError

from sites.models import (
    Endpoint,
    Output,
    SupplyFacts,
    Switch,
    SwitchPort,
    SwitchPortFacts,
)
from tests.zones.plant.plant_rows import LATER, LATEST, expect, rows
from tests.zones.recording import SiteRecord, device_model
from zones.electrical.plant import FOREVER
from zones.models import RunFacts
from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db


def test_facts_hold_from_their_step_until_the_next_of_the_same_thing() -> None:
    small = device_model("supply", rated_current_a=1.0, no_load_voltage_v=24.0)
    large = device_model(
        "supply",
        rated_current_a=4.0,
        no_load_voltage_v=25.0,
        rated_load_voltage_v=24.0,
        voltage_tolerance=0.05,
        lowest_voltage_v=21.0,
        class_2_marked=False,
    )
    record = SiteRecord()
    with record.change() as first:
        supply = record.supply(small)
    with record.change(LATER) as second:
        record.make(SupplyFacts, supply=supply, model=large)
    with record.change(LATEST) as third:
        record.make(SupplyFacts, supply=supply, model=None)

    before, after, unknown = rows(read_plant([record.site_id]), "supplies")

    expect(
        before,
        supply=supply.pk,
        begin=first.step,
        end=second.step,
        changed_by=first.pk,
        rated_current_a=1.0,
        no_load_voltage_v=24.0,
        class_2_marked=None,
        lowest_voltage_v=None,
    )
    expect(
        after,
        begin=second.step,
        end=third.step,
        changed_by=second.pk,
        rated_current_a=4.0,
        rated_load_voltage_v=24.0,
        voltage_tolerance=0.05,
        lowest_voltage_v=21.0,
        class_2_marked=0,
    )
    expect(unknown, begin=third.step, end=FOREVER, rated_current_a=None, no_load_voltage_v=None)


def test_facts_hold_no_longer_than_the_thing_stands() -> None:
    record = SiteRecord()
    with record.change() as first:
        supply = record.supply()
        run = record.run(supply=supply)
        record.point(run, "P1", 1.0)
        zone = record.zone()
    with record.change(LATER) as second:
        for thing in (run, supply, zone):
            record.end(thing, second)

    plant = read_plant([record.site_id])

    for table in ("supplies", "runs", "points", "zones"):
        (row,) = rows(plant, table)
        expect(row, begin=first.step, end=second.step)


def test_several_changes_of_one_day_are_in_order() -> None:
    record = SiteRecord()
    with record.change() as first:
        run = record.run()
        point = record.point(run, "P1", 1.0, length_m=10.0)
    with record.change() as second:
        record.point_facts(point, length_m=20.0)

    short, long = rows(read_plant([record.site_id]), "points")

    expect(short, begin=first.step, end=second.step, length_m=10.0)
    expect(long, begin=second.step, end=FOREVER, length_m=20.0)


def test_a_thing_stands_before_anything_is_known_of_it() -> None:
    record = SiteRecord()
    with record.change() as first:
        switch = record.make(Switch, closet=record.closet, name="SW 1")
        port = record.port(switch, 3)
    with record.change(LATER) as second:
        record.make(SwitchPortFacts, port=port, priority="critical", other_load="camera", other_load_class=4)

    plant = read_plant([record.site_id])
    (bare,) = rows(plant, "switches")
    idle, used = rows(plant, "ports")

    expect(
        bare,
        switch=switch.pk,
        begin=first.step,
        end=FOREVER,
        budget_w=None,
        power_supply_count=None,
        usage_threshold=None,
    )
    expect(
        idle,
        port=port.pk,
        switch=switch.pk,
        number=3,
        priority=2,
        other_load=False,
        begin=first.step,
        end=second.step,
    )
    expect(used, priority=0, other_load=True, other_class=4, other_power_w=None, begin=second.step)


def test_ends_of_endpoints_end_their_outputs() -> None:
    record = SiteRecord()
    with record.change() as first:
        endpoint: Endpoint = record.endpoint()
        output: Output = record.output(endpoint)
    with record.change(LATER) as second:
        record.end(output, second)
        record.end(endpoint, second)
    (row,) = rows(read_plant([record.site_id]), "outputs")
    expect(row, output=output.pk, begin=first.step, end=second.step)


def test_a_port_is_not_taken_out_while_a_device_is_on_it() -> None:
    record = SiteRecord()
    with record.change():
        port: SwitchPort = record.port(record.switch())
        record.endpoint(port=port, power_source="port")
    with pytest.raises(IntegrityError, match="switch_port_in_use"), record.change(LATER) as second:
        record.end(port, second)


def test_a_point_is_as_warm_as_its_run_on_each_day() -> None:
    """Rerouted through the plant room at 45 °C a hundred days later; another run has no temperature of its
    own."""
    record = SiteRecord()
    with record.change() as built:
        run, other = record.run(design_temperature_c=-25.0), record.run("R2")
        point, elsewhere = record.point(run, "P1", 1.0), record.point(other, "P1", 1.0)
    with record.change(LATER):
        record.point_facts(elsewhere, length_m=12.0)
    with record.change(LATER) as rerouted:
        record.make(RunFacts, run=run, design_temperature_c=45.0)
    with record.change(LATEST):
        record.make(RunFacts, run=run, design_temperature_c=45.0, fuse_fitted=False)
    with record.change(LATEST) as lengthened:
        record.point_facts(point, length_m=30.0)

    plant = read_plant([record.site_id])
    cold, warm, longer = rows(plant, "points", point=point.pk)
    expect(cold, design_temperature_c=-25.0, length_m=10.0, end=warm["begin"], changed_by=built.pk)
    expect(warm, design_temperature_c=45.0, length_m=10.0, end=longer["begin"], changed_by=rerouted.pk)
    expect(longer, design_temperature_c=45.0, length_m=30.0, end=FOREVER, changed_by=lengthened.pk)
    assert [row["length_m"] for row in rows(plant, "points", point=elsewhere.pk)] == [10.0, 12.0]
    assert not [row for row in rows(plant, "points", point=elsewhere.pk) if row["design_temperature_c"]]
