"""What is read off the rows that begin and end at a step: each alteration by its type."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.zones.findings.stories import Story
from zones.electrical import plant as p
from zones.findings.changes_at_step import Reference, changes_at_step

WATCHED = [
    ("runs", {"supply_index": 1}, "run_supply"),
    ("runs", {"output_index": 1}, "run_output"),
    ("runs", {"amplifier_index": 1}, "run_amplifier"),
    ("runs", {"fuse_rating_a": 2.0}, "run_fuse"),
    ("runs", {"fuse_fitted": 1}, "run_fuse"),
    ("runs", {"design_temperature_c": 35.0}, "run_temperature"),
    ("runs", {"zone_id": 9}, "run_zone"),
    ("points", {"tap_power_w": 5.0}, "tap_changed"),
    ("points", {"tap_basis": 2}, "tap_changed"),
    ("points", {"speech_current_a": 0.5}, "current_changed"),
    ("points", {"idle_current_a": 0.5}, "current_changed"),
    ("points", {"current_basis": 2}, "current_changed"),
    ("points", {"feed_supply_index": 1}, "point_supply"),
    ("points", {"zone_id": 9}, "point_zone"),
    ("points", {"dc_pairs": 2}, "segment_pairs"),
    ("points", {"cable_index": 1}, "segment_cable"),
    ("points", {"length_m": 77.0}, "segment_length"),
    ("points", {"length_basis": 2}, "segment_length"),
    ("points", {"negative_cut": True}, "negative_cut"),
    ("points", {"count_likely": 3.0}, "count_raised"),
    ("points", {"device_kind": 3}, "device_swapped"),
    ("points", {"kind": p.PointKind.SPLICE}, "device_removed"),
    *(("supplies", {column: 7}, "supply_replaced") for column in (
        "rated_current_a", "no_load_voltage_v", "rated_load_voltage_v", "voltage_tolerance",
        "lowest_voltage_v", "float_voltage_v", "class_2_marked",
    )),
    *(("outputs", {column: 7.0}, "output_changed") for column in (
        "impedance_ohm", "level_v", "speakers_max",
    )),
    *(("amplifiers", {column: 7.0}, "amplifier_replaced") for column in (
        "rated_power_w", "line_voltage_v", "minimum_impedance_ohm",
    )),
    ("switches", {"budget_w": 7.0}, "switch_budget"),
    ("switches", {"budget_one_lost_w": 7.0}, "switch_budget_one_lost"),
    ("switches", {"power_supply_count": 7}, "switch_supplies"),
    ("switches", {"power_supplies_max": 7}, "switch_budget"),
    ("switches", {"port_type": 1}, "switch_port_type"),
    ("switches", {"usage_threshold": 0.5}, "switch_threshold"),
    ("ports", {"port_type": 1}, "port_type"),
    ("ports", {"other_power_w": 7.0}, "port_changed"),
    ("ports", {"other_class": 2}, "port_changed"),
    ("ports", {"other_load": True}, "other_load_added"),
    ("endpoints", {"port_index": 1}, "endpoint_moved"),
    ("endpoints", {"over_cable": False}, "endpoint_moved"),
    *(("endpoints", {column: 2}, "endpoint_power") for column in (
        "poe_class", "negotiated_power_w", "paging_power_w",
    )),
    ("endpoints", {"length_m": 77.0}, "endpoint_cable"),
    ("endpoints", {"length_basis": 2}, "endpoint_cable"),
    ("endpoints", {"cable_index": 1}, "endpoint_cable"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "altered", "kind"), WATCHED, ids=lambda value: str(value))
def test_each_column_that_is_altered_is_a_change_of_its_type(
    table: str, altered: dict[str, Any], kind: str
) -> None:
    story = Story()
    story.on("2024-05-01")
    for name in ("supplies", "supplies", "outputs", "outputs", "amplifiers", "amplifiers", "switches"):
        story.put(name)
    for number in (1, 2):
        story.cable(gauge_awg=22.0 + number)
        story.put("ports", switch_index=0, number=number)
    story.fed_run(0, output_index=0, amplifier_index=0, fuse_rating_a=1.0, zone_id=1)
    story.put("points", run_index=0, cable_index=0, zone_id=1, feed_supply_index=0)
    story.put("endpoints", port_index=0, cable_index=0)
    story.on("2025-03-14")
    story.alter(table, 0, **altered)
    plant = story.build()
    every = {name: np.ones(len(rows), np.bool_) for name, rows in plant.tables.items() if len(rows)}
    assert [change.type for change in changes_at_step(plant, every, story.step)] == [kind]


@pytest.mark.parametrize(
    ("before", "after", "types"),
    [
        (None, False, ["clip_pulled"]),
        (None, True, []),  # a clip of which nothing is recorded is in
        (True, False, ["clip_pulled"]),
        (False, True, ["clip_inserted"]),
    ],
)
def test_clips_are_pulled_and_inserted(before: bool | None, after: bool, types: list[str]) -> None:
    story = Story()
    story.on("2024-05-01")
    story.block()
    if before is not None:
        story.put("clips", is_in=before)
    story.on("2025-03-14")
    if before is not None:
        story.rows["clips"][0]["end"] = story.step
    story.put("clips", is_in=after)
    plant = story.build()
    every = {name: np.ones(len(rows), np.bool_) for name, rows in plant.tables.items() if len(rows)}
    assert [change.type for change in changes_at_step(plant, every, story.step)] == types


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        (None, 1, ("zone_added", None, None)),
        (1, None, ("zone_ended", None, None)),
        (0, 1, ("zone_signal", Reference("signal", 0), Reference("signal", 1))),
        (-1, 0, ("zone_signal", None, Reference("signal", 0))),
    ],
)
def test_zones_come_and_go_and_are_paged_otherwise(
    before: int | None, after: int | None, expected: tuple[str, Reference | None, Reference | None]
) -> None:
    story = Story()
    story.on("2024-05-01")
    if before is not None:
        story.put("zones", zone_id=3, signal=before)
    story.on("2025-03-14")
    if before is not None:
        story.rows["zones"][0]["end"] = story.step
    if after is not None:
        story.put("zones", zone_id=3, signal=after)
    plant = story.build()
    every = {"zones": np.ones(len(plant.zones), np.bool_)}
    (change,) = changes_at_step(plant, every, story.step)
    assert (change.type, change.before, change.after) == expected
    assert change.thing == (Reference("zone", 3) if change.type == "zone_signal" else None)


@pytest.mark.parametrize(("least", "type_"), [(2.0, "device_added"), (1.0, "uncounted_added")])
def test_a_group_that_was_counted_is_so_many_devices(least: float, type_: str) -> None:
    story = Story()
    story.on("2024-05-01")
    run = story.fed_run(story.supply())
    story.on("2025-01-10")
    group = {"kind": p.PointKind.UNCOUNTED_GROUP, "count_low": least, "count_likely": 2.0, "count_high": 2.0}
    story.put("points", run_index=run, **group)
    plant = story.build()
    every = {name: np.ones(len(rows), np.bool_) for name, rows in plant.tables.items() if len(rows)}
    assert [(change.type, change.count) for change in changes_at_step(plant, every, story.step)] == [
        (type_, 2.0)
    ]
