"""The record of a site, read into a plant: table by table, and against the same plant built by hand."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest
from django.db import connection

from sites.changes.steps import first_step_after, step_of
from sites.models import (
    AmplifierFacts,
    Block,
    ChangeSet,
    Endpoint,
    EndpointFacts,
    Factor,
    Output,
    SupplyFacts,
    Switch,
    SwitchPort,
    SwitchPortFacts,
)
from tests.zones.electrical.plants import ToyPlant
from tests.zones.recording import DAY, SiteRecord, cable_type, device_model, shared_change
from zones.electrical import plant as p
from zones.electrical.evaluate import evaluate, subject_ids
from zones.electrical.plant import FOREVER, Members, Plant
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.models import (
    Landing,
    PagingSet,
    PagingSetZone,
    PointFacts,
    Reading,
    Zone,
)
from zones.plant.change_sets import change_sets_at, change_sets_by_id
from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db

LATER = DAY + dt.timedelta(days=100)
LATEST = DAY + dt.timedelta(days=200)
NAMES = {
    "run": "run_id",
    "point": "point_id",
    "supply": "supply_id",
    "output": "output_id",
    "amplifier": "amplifier_id",
    "switch": "switch_id",
    "port": "port_id",
    "endpoint": "endpoint_id",
    "block": "block_id",
    "parent": "point_id",
    "feed_supply": "supply_id",
}


def rows(plant: Plant, table: str, **only: Any) -> list[dict[str, Any]]:
    """The rows that match, as dictionaries: indices turned into ids, NaN and −1 into None."""
    out = []
    columns = plant.tables[table]
    for i in range(len(columns)):
        row: dict[str, Any] = {}
        for name in columns.__dataclass_fields__:
            value = getattr(columns, name)[i].item()
            if name.endswith("_index") and name.removesuffix("_index") in NAMES:
                name = name.removesuffix("_index")
                value = getattr(plant, NAMES[name])[value].item() if value >= 0 else None
            elif value == -1 or value != value:
                value = None
            row[name] = value
        if all(row[name] == value for name, value in only.items()):
            out.append(row)
    return out


def says(row: dict[str, Any], /, **expected: Any) -> None:
    assert {name: row[name] for name in expected} == expected


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

    says(
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
    says(
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
    says(unknown, begin=third.step, end=FOREVER, rated_current_a=None, no_load_voltage_v=None)


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
        says(row, begin=first.step, end=second.step)


def test_several_changes_of_one_day_are_in_order() -> None:
    record = SiteRecord()
    with record.change() as first:
        run = record.run()
        point = record.point(run, "P1", 1.0, length_m=10.0)
    with record.change() as second:
        record.point_facts(point, length_m=20.0)

    short, long = rows(read_plant([record.site_id]), "points")

    says(short, begin=first.step, end=second.step, length_m=10.0)
    says(long, begin=second.step, end=FOREVER, length_m=20.0)


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

    says(
        bare,
        switch=switch.pk,
        begin=first.step,
        end=FOREVER,
        budget_w=None,
        power_supply_count=None,
        usage_threshold=None,
    )
    says(
        idle,
        port=port.pk,
        switch=switch.pk,
        number=3,
        priority=2,
        other_load=False,
        begin=first.step,
        end=second.step,
    )
    says(used, priority=0, other_load=True, other_class=4, other_power_w=None, begin=second.step)


def test_every_column_of_runs_and_points_is_read() -> None:
    horn = device_model("horn", speech_current_a=0.3)
    gateway = device_model("gateway")
    wire = cable_type(gauge_awg=18, category=False, pair_count=1, conductor_rating_a=5.0)
    blank = cable_type(gauge_awg=None)
    record = SiteRecord()
    with record.change():
        hall, lanes = record.zone("Ticket hall"), record.zone("Marshalling lanes")
        supply, second_supply = record.supply(name="PS 1"), record.supply(name="PS 2")
        amplifier = record.amplifier()
        endpoint = record.endpoint()
        output = record.output(endpoint, 2)
        run = record.run(
            zone=hall, output=output, supply=supply, amplifier=amplifier, fuse_fitted=True, fuse_rating_a=1.5
        )
        splice = record.point(
            run,
            "P1",
            1.0,
            kind=0,
            length_m=None,
            length_basis=0,
            dc_pairs=None,
            cable_type=wire,
            minus_cut=True,
        )
        device = record.point(
            run,
            "P3",
            3.0,
            parent=splice,
            model=horn,
            device_kind=3,
            length_m=12.5,
            length_basis=2,
            dc_pairs=2,
            current_basis=1,
            speech_current_a=0.25,
            idle_current_a=0.02,
            tap_power_w=7.5,
            tap_basis=3,
            zone=lanes,
            feed_supply=second_supply,
        )
        lump = record.point(
            run,
            "P2",
            2.0,
            parent=splice,
            kind=2,
            count_low=4,
            count_likely=6,
            count_high=9,
            model=gateway,
            cable_type=blank,
        )
        bare = record.run("R2", kind="low_impedance")

    plant = read_plant([record.site_id])
    (row,) = rows(plant, "runs", run=run.pk)
    (unfed,) = rows(plant, "runs", run=bare.pk)
    at_splice, at_lump, at_device = rows(plant, "points")

    says(
        row,
        zone_id=hall.pk,
        supply=supply.pk,
        output=output.pk,
        amplifier=amplifier.pk,
        fuse_fitted=1,
        fuse_rating_a=1.5,
    )
    says(unfed, zone_id=None, supply=None, output=None, amplifier=None, fuse_fitted=None, fuse_rating_a=None)
    says(
        at_splice,
        point=splice.pk,
        parent=None,
        kind=0,
        count_likely=0.0,
        length_m=None,
        length_basis=0,
        dc_pairs=None,
        minus_cut=True,
        feed_supply=None,
        zone_id=None,
    )
    says(at_lump, point=lump.pk, parent=splice.pk, kind=2, count_low=4.0, count_likely=6.0, count_high=9.0)
    says(
        at_device,
        point=device.pk,
        parent=splice.pk,
        kind=1,
        device_kind=3,
        count_low=1.0,
        count_high=1.0,
        length_m=12.5,
        length_basis=2,
        dc_pairs=2,
        minus_cut=False,
        current_basis=1,
        speech_current_a=0.25,
        idle_current_a=0.02,
        tap_power_w=7.5,
        tap_basis=3,
        zone_id=lanes.pk,
        feed_supply=second_supply.pk,
    )
    models, cables = plant.models, plant.cables
    assert models.model_id[plant.points.model_index].tolist()[1:] == [gateway.pk, horn.pk]
    assert models.device_kind.tolist() == [3, 0]
    assert plant.points.model_index[0] == -1
    assert cables.cable_id[plant.points.cable_index[:2]].tolist() == [wire.pk, blank.pk]
    assert plant.points.cable_index[2] == -1
    assert cables.category.tolist() == [False, True]
    np.testing.assert_array_equal(cables.gauge_awg, [18.0, np.nan])
    np.testing.assert_array_equal(cables.conductor_rating_a, [5.0, np.nan])
    assert plant.run_kind.tolist() == [p.RunKind.SELF_AMPLIFIED, p.RunKind.LOW_IMPEDANCE]


@pytest.mark.parametrize(
    ("kind", "number"),
    [(Block.Kind.SPLIT_66, 0), (Block.Kind.UNSPLIT_66, 1), (Block.Kind.TYPE_110, 2), (Block.Kind.SCREW, 3)],
)
def test_a_run_knows_the_kind_of_its_block(kind: str, number: int) -> None:
    record = SiteRecord()
    with record.change():
        record.block = record.make(Block, closet=record.closet, name="B2", kind=kind)
        record.run()
    assert read_plant([record.site_id]).run_block_kind.tolist() == [number]


def test_points_are_in_the_order_of_their_ranks_whatever_their_ids() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
        first = record.point(run, "P1", 1.0)
        last = record.point(run, "P3", 3.0, parent=first)
        between = record.point(run, "P2", 2.0, parent=first)
    plant = read_plant([record.site_id])
    assert plant.point_id.tolist() == [first.pk, between.pk, last.pk]
    assert plant.points.point_index.tolist() == [0, 1, 2]


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

    says(
        before,
        begin=first.step,
        end=second.step,
        impedance_ohm=100.0,
        speakers_max=20.0,
        level_v=None,
        changed_by=first.pk,
    )
    says(after, begin=second.step, end=third.step, impedance_ohm=50.0, speakers_max=None, level_v=1.2)
    says(added, begin=second.step, end=FOREVER, impedance_ohm=50.0)


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

    says(
        found[negotiated.pk],
        port=port.pk,
        poe_class=4,
        granted_w=21.5,
        paging_power_w=9.0,
        length_m=40.0,
        length_basis=3,
        over_cable=True,
        begin=first.step,
    )
    says(
        found[plain.pk],
        port=None,
        poe_class=3,
        granted_w=None,
        length_m=None,
        length_basis=0,
        over_cable=True,
    )
    says(found[adapter.pk], poe_class=None, over_cable=False)
    says(found[unknown.pk], over_cable=True)
    assert plant.cables.cable_id[plant.endpoints.cable_index[plant.endpoints.cable_index >= 0]] == [wire.pk]
    says(rows(plant, "switches")[0], power_supply_count=2, usage_threshold=0.7)


def test_the_budget_is_that_of_the_switch_model() -> None:
    model = device_model("switch", poe_budget_w=130.0, poe_budget_one_lost_w=65.0)
    record = SiteRecord()
    with record.change():
        record.switch(model)
    says(rows(read_plant([record.site_id]), "switches")[0], budget_w=130.0, budget_one_lost_w=65.0)


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
    says(
        line,
        amplifier=amplifier.pk,
        rated_power_w=120.0,
        line_voltage_v=70.7,
        minimum_impedance_ohm=4.0,
        end=second.step,
    )
    says(low, line_voltage_v=None, rated_power_w=120.0)


def test_landings_say_what_lies_where() -> None:
    record = SiteRecord()
    with record.change() as first:
        run, supply = record.run(), record.supply()
        facts: dict[str, Any] = {"block": record.block, "row": 4, "pair": 1, "conductor": "first"}
        field = record.make(Landing, side="field", run=run, carries="dc_minus", **facts)
        record.make(Landing, side="equipment", supply=supply, carries="dc_ground", **facts)
    with record.change(LATER) as second:
        record.end(field, second)

    plant = read_plant([record.site_id])
    at_field, at_equipment = sorted(rows(plant, "landings"), key=lambda row: not row["field_side"])

    says(
        at_field,
        block=record.block.pk,
        row=4,
        field_side=True,
        carries=p.Carries.DC_MINUS,
        begin=first.step,
        end=second.step,
    )
    says(at_equipment, field_side=False, carries=p.Carries.DC_GROUND, end=FOREVER)


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
        says(row, set_id=paging_set.pk, begin=first.step, end=second.step)


def reading(record: SiteRecord, day: dt.date, **said: Any) -> Reading:
    with record.change(day):
        return record.make(Reading, taken_on=day, step=first_step_after(day) - 1, **said)  # type: ignore[no-any-return]


def test_readings_of_runs_leave_out_what_was_superseded() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
        point = record.point(run, "P1", 1.0)
    wrong = reading(record, LATER, kind="run_current", state="paging", run=run, value=9.9)
    right = reading(record, LATER, kind="run_current", state="paging", run=run, value=0.99, supersedes=wrong)
    volts = reading(
        record,
        LATER,
        kind="end_voltage",
        state="idle",
        run=run,
        point=point,
        value=22.5,
        source_voltage_v=24.1,
    )

    current, voltage = rows(read_plant([record.site_id]), "readings")

    says(
        current,
        run=run.pk,
        reading_id=right.pk,
        kind=p.ReadingKind.RUN_CURRENT,
        state=p.State.PAGING,
        value=0.99,
        source_voltage_v=None,
        point=None,
        begin=first_step_after(LATER) - 1,
    )
    says(
        voltage,
        reading_id=volts.pk,
        kind=p.ReadingKind.END_VOLTAGE,
        state=p.State.IDLE,
        value=22.5,
        source_voltage_v=24.1,
        point=point.pk,
    )


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


def test_a_group_holds_what_was_ever_joined_and_nothing_else() -> None:
    record = SiteRecord()
    with record.change():
        supply, other, spare = (record.supply(name=name) for name in ("PS 1", "PS 2", "PS 3"))
        left, right = record.run("R1", supply=supply), record.run("R2", supply=other)
        fed = record.point(right, "P1", 1.0)
        alone = record.run("R3", supply=spare)
        first_switch, second_switch = record.switch(name="SW 1"), record.switch(name="SW 2")
        ports = [record.port(first_switch), record.port(second_switch)]
        endpoint = record.endpoint(port=ports[0], power_source="port")
    with record.change(LATER):
        record.point_facts(fed, feed_supply=supply)  # joins R2 to the supply of R1
        record.make(EndpointFacts, endpoint=endpoint, port=ports[1], power_source="port")

    plant = read_plant([record.site_id])

    def group(table: str, **only: Any) -> int:
        (number,) = {row["group"] for row in rows(plant, table, **only)}
        return int(number)

    assert group("runs", run=left.pk) == group("runs", run=right.pk) == group("supplies", supply=other.pk)
    assert group("points") == group("runs", run=right.pk)
    assert group("runs", run=alone.pk) != group("runs", run=left.pk)
    assert group("switches", switch=first_switch.pk) == group("switches", switch=second_switch.pk)
    assert (
        group("endpoints") == group("ports", port=ports[0].pk) == group("switches", switch=second_switch.pk)
    )


def test_the_groups_of_a_site_are_contiguous_and_tables_sorted_by_them() -> None:
    records = [SiteRecord() for _ in range(3)]
    for _ in range(2):
        for record in records:  # interleaved, so that ids do not follow sites
            with record.change():
                number = record.site.code + str(Zone.objects.count())
                supply = record.supply(name=f"PS {number}")
                run = record.run(f"R {number}", supply=supply, zone=record.zone(f"Z {number}"))
                record.chain(run, 2)
                record.port(record.switch(name=f"SW {number}"))

    plant = read_plant([records[2].site_id, records[0].site_id, records[1].site_id])

    assert plant.site_id.tolist() == sorted(record.site_id for record in records)
    assert (np.diff(plant.group_site) >= 0).all()
    for name, table in plant.tables.items():
        assert (np.diff(table.group) >= 0).all(), name
    assert (np.diff(plant.points.point_index) >= 0).all()
    whole = Members.of_sites(plant, first_step_after(DAY))
    for name, count in {"runs": 2, "points": 4, "zones": 2, "switches": 2, "ports": 2}.items():
        owner, _ = p.select(plant, name, whole, site_wide=True)
        assert np.bincount(owner).tolist() == [count] * 3, name


def test_a_parent_without_facts_is_said_to_be_missing() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
        first = record.point(run, "P1", 1.0)
        record.point(run, "P2", 2.0, parent=first)
    with connection.cursor() as cursor:  # no door of ours can do that
        cursor.execute("ALTER TABLE point_facts DISABLE TRIGGER USER")
        cursor.execute("DELETE FROM point_facts WHERE point_id = %s", [first.pk])
        cursor.execute("ALTER TABLE point_facts ENABLE TRIGGER USER")

    plant = read_plant([record.site_id])
    found = evaluate(plant, Members.of_sites(plant, first_step_after(DAY)), ())

    assert [problem.reason for problem in found.problems] == [
        "a point hangs on a point that is not there on this day"
    ]


def test_factors_of_the_record_replace_the_defaults() -> None:
    record = SiteRecord()
    with shared_change():
        Factor.objects.create(name="loading_fraction", value=0.7)
    factors = read_plant([record.site_id]).factors
    assert factors.loading_fraction == 0.7
    assert factors.line_loss_db == 3.0


def test_the_temperature_is_the_sites() -> None:
    cold, warm = SiteRecord(design_temperature_c=-25.0), SiteRecord(design_temperature_c=40.0)
    assert read_plant([warm.site_id, cold.site_id]).temperature_c.tolist() == [-25.0, 40.0]


def test_sites_that_are_not_there_are_left_out() -> None:
    record = SiteRecord()
    plant = read_plant([record.site_id + 1000, record.site_id])
    assert plant.site_id.tolist() == [record.site_id]


@pytest.mark.parametrize("site_ids", [[], [2**60]])
def test_nothing_is_a_plant_too(site_ids: list[int]) -> None:
    plant = read_plant(site_ids)
    assert len(plant.site_id) == 0
    assert len(evaluate(plant, Members.of_sites(plant, 1), ())) == 0


def small_site(record: SiteRecord, speaker: Any, supply_model: Any, gateway: Any, wire: Any) -> None:
    with record.change():
        zone, supply = record.zone(), record.supply(supply_model)
        output = record.output(record.endpoint(gateway))
        run = record.run(zone=zone, supply=supply, output=output)
        chain = record.chain(run, 10, model=speaker, cable_type=wire, current_basis=4)
    with record.change(LATER):
        last = record.point(
            run, "P11", 11.0, parent=chain[-1], model=speaker, cable_type=wire, length_m=None, length_basis=0
        )
        record.point_facts(chain[3], parent=chain[2], kind=PointFacts.Kind.SPLICE, cable_type=wire)
    with record.change(LATEST):
        record.point_facts(
            last, parent=chain[-1], model=speaker, cable_type=wire, length_m=25.0, length_basis=3
        )


def test_a_plant_read_from_the_record_computes_as_one_built_by_hand() -> None:
    speaker = device_model(
        "ceiling_speaker",
        idle_current_a=0.015,
        full_tone_current_a=0.05,
        minimum_voltage_v=18.0,
        input_impedance_ohm=47_000.0,
    )
    supply_model = device_model(
        "supply", rated_current_a=2.0, no_load_voltage_v=25.0, rated_load_voltage_v=24.0
    )
    gateway = device_model("gateway", output_impedance_ohm=100.0, output_speakers_max=12)
    wire = cable_type(gauge_awg=24, category=True)
    record = SiteRecord()
    small_site(record, speaker, supply_model, gateway, wire)
    read = read_plant([record.site_id])

    toy = ToyPlant()
    model, cable = toy.model(), toy.cable(category=True)
    supply = toy.add("supplies", no_load_voltage_v=25.0, rated_load_voltage_v=24.0, class_2_marked=-1)
    output = toy.add("outputs", impedance_ohm=100.0, speakers_max=12.0)
    toy.add("zones")
    toy.add("endpoints", poe_class=-1, length_m=np.nan, length_basis=0)
    run = toy.run(supply_index=supply, output_index=output, fuse_fitted=-1)
    facts: dict[str, Any] = {"model_index": model, "cable_index": cable, "length_m": 10.0, "length_basis": 4}
    chain = toy.chain(run, 10, current_basis=4, **facts)
    splice: dict[str, Any] = {
        "kind": 0,
        "model_index": -1,
        "count_low": 0.0,
        "count_likely": 0.0,
        "count_high": 0.0,
    }
    (last,) = toy.chain(run, 1, parent=chain[-1], step=2, **facts | {"length_m": np.nan, "length_basis": 0})
    toy.change("points", chain[3], step=2, current_basis=3, **splice)
    toy.change("points", last, step=3, length_m=25.0, length_basis=3)
    hand = toy.build()

    codes = (
        "supply_current",
        "class_2_power",
        "run_voltage",
        "conductor_current",
        "output_speakers",
        "audio_level",
        "wire_gauge",
        "endpoint_cable",
    )
    rules = tuple(Rule(code) for code in codes)
    for day, step in ((DAY, 1), (LATER, 2), (LATEST, 3)):
        ours = evaluate(read, Members.of_sites(read, first_step_after(day) - 1), rules)
        theirs = evaluate(hand, Members.of_sites(hand, step), rules)
        assert len(ours) == len(codes)
        assert _figures(read, ours).keys() == _figures(hand, theirs).keys()
        for key, figure in _figures(hand, theirs).items():
            np.testing.assert_allclose(_figures(read, ours)[key], figure, rtol=1e-12, err_msg=str(key))


def _figures(plant: Plant, found: Any) -> dict[tuple[str, int], list[float]]:
    out = {}
    for i in range(len(found)):
        kind = SubjectKind(int(found.subject_kind[i]))
        index = int(np.flatnonzero(subject_ids(plant, kind) == found.subject_id[i])[0])
        out[found.rules[found.rule[i]].code, index] = [
            found.low[i],
            found.likely[i],
            found.high[i],
            found.limit[i],
            found.verdict[i],
            found.supported[i],
        ]
    return out


@pytest.mark.parametrize("count", [1, 20])
def test_any_number_of_sites_takes_the_same_queries(count: int, django_assert_num_queries: Any) -> None:
    speaker, supply_model = device_model("horn"), device_model("supply")
    gateway, wire = device_model("gateway"), cable_type(gauge_awg=22)
    records = [SiteRecord() for _ in range(count)]
    for record in records:
        small_site(record, speaker, supply_model, gateway, wire)
    with django_assert_num_queries(18):
        plant = read_plant([record.site_id for record in records])
    assert len(plant.site_id) == count
    assert len(plant.point_id) == 11 * count


def test_change_sets_are_found_by_step_and_by_id() -> None:
    record, other = SiteRecord(), SiteRecord()
    with record.change(
        LATER, kind=ChangeSet.Kind.CORRECTION, reason="counted", job_reference="J-7"
    ) as corrected:
        record.zone()
    with other.change(LATER) as elsewhere:
        other.zone()
    step = step_of(LATER, 1)  # of either site the first of that day

    found = change_sets_at([(record.site_id, step), (other.site_id, step), (record.site_id, 5)])

    info = found.pop((record.site_id, step))
    assert found.keys() == {(other.site_id, step)}
    assert info == change_sets_by_id([corrected.pk, -1])[corrected.pk]
    assert (info.kind, info.reason, info.job_reference, info.actor, info.happened_on) == (
        "correction",
        "counted",
        "J-7",
        "Tom Reed",
        LATER,
    )
    assert change_sets_by_id([elsewhere.pk])[elsewhere.pk].step == step


def test_unused_models_are_not_read() -> None:
    used, _unused = device_model("horn"), device_model("horn")
    record = SiteRecord()
    with record.change():
        record.chain(record.run(), 2, model=used)
    assert read_plant([record.site_id]).models.model_id.tolist() == [used.pk]


def test_ends_of_endpoints_end_their_outputs() -> None:
    record = SiteRecord()
    with record.change() as first:
        endpoint: Endpoint = record.endpoint()
        output: Output = record.output(endpoint)
    with record.change(LATER) as second:
        record.end(endpoint, second)
    (row,) = rows(read_plant([record.site_id]), "outputs")
    says(row, output=output.pk, begin=first.step, end=second.step)


def test_a_port_taken_out_is_gone_for_those_that_name_it() -> None:
    record = SiteRecord()
    with record.change():
        port: SwitchPort = record.port(record.switch())
        record.endpoint(port=port, power_source="port")
    with record.change(LATER) as second:
        record.end(port, second)
    plant = read_plant([record.site_id])
    says(rows(plant, "ports")[0], end=second.step)
    says(rows(plant, "endpoints")[0], port=port.pk, end=FOREVER)
