"""Runs, their points, and what was read on them."""

from __future__ import annotations

import numpy as np
import pytest

from sites.changes.steps import first_step_after
from sites.models import (
    Basis,
    Block,
)
from tests import factories
from tests.halls import Hall, lose_facts
from tests.zones.electrical.judged import RULES
from tests.zones.plant.plant_rows import LATER, expect, reading, rows
from tests.zones.recording import DAY, SiteRecord, cable_type, device_model
from zones.electrical import plant as p
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members
from zones.models import PointFacts
from zones.plant.selectors import read_plant
from zones.services.points import point_alter, point_insert

pytestmark = pytest.mark.django_db


def test_every_column_of_runs_and_points_is_read() -> None:
    horn = device_model("horn", speech_current_a=0.3)
    wall = device_model("wall_speaker")
    wire = cable_type(gauge_awg=18, category=False, pair_count=1, conductor_rating_a=5.0)
    blank = cable_type(gauge_awg=None)
    record = SiteRecord()
    with record.change():
        hall, lanes = record.zone("Ticket hall"), record.zone("Marshalling lanes")
        supply, second_supply = record.supply(name="PS 1"), record.supply(name="PS 2")
        amplifier = record.amplifier()
        endpoint = record.endpoint()
        output = record.output(endpoint, 2)
        run = record.run(zone=hall, output=output, supply=supply, fuse_fitted=True, fuse_rating_a=1.5)
        splice = record.point(
            run,
            "P1",
            1.0,
            kind=0,
            length_m=None,
            length_basis=0,
            dc_pairs=None,
            cable_type=wire,
            negative_cut=True,
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
        uncounted_group = record.point(
            run,
            "P2",
            2.0,
            parent=splice,
            kind=2,
            count_low=4,
            count_likely=6,
            count_high=9,
            model=wall,
            cable_type=blank,
        )
        bare = record.run("R2", kind="low_impedance")
        line = record.run("R3", kind="constant_voltage", amplifier=amplifier)

    plant = read_plant([record.site_id])
    (row,) = rows(plant, "runs", run=run.pk)
    (unfed,) = rows(plant, "runs", run=bare.pk)
    (on_a_line,) = rows(plant, "runs", run=line.pk)
    expect(on_a_line, supply=None, amplifier=amplifier.pk)
    at_splice, at_uncounted_group, at_device = rows(plant, "points")

    expect(
        row,
        zone_id=hall.pk,
        supply=supply.pk,
        output=output.pk,
        amplifier=None,
        fuse_fitted=1,
        fuse_rating_a=1.5,
    )
    expect(
        unfed, zone_id=None, supply=None, output=None, amplifier=None, fuse_fitted=None, fuse_rating_a=None
    )
    expect(
        at_splice,
        point=splice.pk,
        parent=None,
        kind=0,
        count_likely=0.0,
        length_m=None,
        length_basis=0,
        dc_pairs=None,
        negative_cut=True,
        feed_supply=None,
        zone_id=None,
    )
    expect(
        at_uncounted_group,
        point=uncounted_group.pk,
        parent=splice.pk,
        kind=2,
        count_low=4.0,
        count_likely=6.0,
        count_high=9.0,
    )
    expect(
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
        negative_cut=False,
        current_basis=1,
        speech_current_a=0.25,
        idle_current_a=0.02,
        tap_power_w=7.5,
        tap_basis=3,
        zone_id=lanes.pk,
        feed_supply=second_supply.pk,
    )
    models, cables = plant.models, plant.cables
    assert models.model_id[plant.points.model_index].tolist()[1:] == [wall.pk, horn.pk]
    assert models.device_kind.tolist() == [3, 2]
    assert plant.points.model_index[0] == -1
    assert cables.cable_id[plant.points.cable_index[:2]].tolist() == [wire.pk, blank.pk]
    assert plant.points.cable_index[2] == -1
    assert cables.category.tolist() == [False, True]
    np.testing.assert_array_equal(cables.gauge_awg, [18.0, np.nan])
    np.testing.assert_array_equal(cables.conductor_rating_a, [5.0, np.nan])
    assert plant.run_kind.tolist() == [
        p.RunKind.SELF_AMPLIFIED,
        p.RunKind.LOW_IMPEDANCE,
        p.RunKind.CONSTANT_VOLTAGE,
    ]


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


def test_points_are_in_the_order_of_their_ranks_not_of_their_ids() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
        first = record.point(run, "P1", 1.0)
        last = record.point(run, "P3", 3.0, parent=first)
        between = record.point(run, "P2", 2.0, parent=first)
    plant = read_plant([record.site_id])
    assert plant.point_id.tolist() == [first.pk, between.pk, last.pk]
    assert plant.points.point_index.tolist() == [0, 1, 2]


def test_a_parent_without_facts_is_said_to_be_missing() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
        first = record.point(run, "P1", 1.0)
        record.point(run, "P2", 2.0, parent=first)
    lose_facts(first)

    plant = read_plant([record.site_id])
    found = evaluate(plant, Members.of_sites(plant, first_step_after(DAY)), ())

    assert [problem.reason for problem in found.problems] == ["parent_missing"]


def test_unused_models_are_not_read() -> None:
    used, _unused = device_model("horn"), device_model("horn")
    record = SiteRecord()
    with record.change():
        record.chain(record.run(), 2, model=used)
    assert read_plant([record.site_id]).models.model_id.tolist() == [used.pk]


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
        instrument_error=0.005,
        temperature_c=-20.0,
    )

    found = rows(read_plant([record.site_id]), "readings")
    current, voltage = sorted(
        found, key=lambda row: row["reading_id"]
    )  # the database has no order of its own

    expect(
        current,
        run=run.pk,
        reading_id=right.pk,
        kind=p.ReadingKind.RUN_CURRENT,
        state=p.State.PAGING,
        value=0.99,
        source_voltage_v=None,
        instrument_error=None,
        temperature_c=None,
        point=None,
        begin=first_step_after(LATER) - 1,
    )
    expect(
        voltage,
        reading_id=volts.pk,
        kind=p.ReadingKind.END_VOLTAGE,
        state=p.State.IDLE,
        value=22.5,
        source_voltage_v=24.1,
        instrument_error=0.005,
        temperature_c=-20.0,
        point=point.pk,
    )


def test_a_reading_at_a_tone_has_a_state_of_its_own() -> None:
    record = SiteRecord()
    with record.change():
        run = record.run()
    for signal in ("speech", "tone"):
        reading(record, LATER, kind="run_current", state="paging", signal=signal, run=run, value=0.5)
    found = rows(read_plant([record.site_id]), "readings")
    assert sorted(one["state"] for one in found) == [p.State.PAGING, p.State.TONE]


def test_a_bare_splice_cut_in_somewhere_changes_no_figure(hall: Hall) -> None:
    """A run with loads on drawing and unknown lengths, from the change to the figure."""
    first, second = hall.points[4], hall.points[9]
    point_alter(factories.change(hall.site), point=second, length_m=8.0, length_basis=Basis.DRAWING)
    point_alter(factories.change(hall.site), point=hall.points[0], length_m=None)
    before = figures_of(hall.site.pk)
    for point in (hall.points[0], first, second, second):
        point_insert(factories.change(hall.site), before=point, kind=PointFacts.Kind.SPLICE)
    after = figures_of(hall.site.pk)
    assert after.keys() == before.keys() >= {"run_voltage", "audio_level", "conductor_current"}
    for code, figures in before.items():
        np.testing.assert_allclose(after[code], figures, rtol=1e-12, err_msg=code)


def figures_of(site_id: int) -> dict[str, list[list[float]]]:
    """Low, likely and high of every subject, by limit."""
    plant = read_plant([site_id])
    found = evaluate(plant, Members.of_sites(plant, first_step_after(factories.BUILT_ON)), RULES)
    rows: dict[str, list[list[float]]] = {}
    for row in range(len(found)):
        estimates = [found.low[row], found.likely[row], found.high[row]]
        rows.setdefault(RULES[found.rule[row]].code, []).append(estimates)
    return rows


def test_the_words_of_shares_are_numbered_alike() -> None:
    assert {place.name: place.value for place in p.SharePlace} == {
        place.name: place.value for place in PointFacts.SharePlace
    }
