"""The record of sites, read into a plant: as a whole, and against the same plant built by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sites.changes.steps import first_step_after
from sites.models import (
    EndpointFacts,
    Factor,
)
from tests.zones.electrical.plants import ToyPlant
from tests.zones.plant.plant_rows import LATER, LATEST, rows
from tests.zones.recording import DAY, SiteRecord, cable_type, device_model, shared_change
from zones.electrical import plant as p
from zones.electrical.evaluate import evaluate, subject_ids
from zones.electrical.plant import Members, Plant
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Rule
from zones.models import (
    PointFacts,
    Zone,
)
from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db


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
        full_output_current_a=0.05,
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
        "wiring_class",
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


@pytest.mark.parametrize(("count", "queries"), [(1, 1), (2, 3), (20, 3)])
def test_any_number_of_sites_takes_the_same_queries(
    count: int, queries: int, django_assert_num_queries: Any
) -> None:
    speaker, supply_model = device_model("horn"), device_model("supply")
    gateway, wire = device_model("gateway"), cable_type(gauge_awg=22)
    records = [SiteRecord() for _ in range(count)]
    for record in records:
        small_site(record, speaker, supply_model, gateway, wire)
    with django_assert_num_queries(queries):
        plant = read_plant([record.site_id for record in records])
    assert len(plant.site_id) == count
    assert len(plant.point_id) == 11 * count
