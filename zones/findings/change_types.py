"""The kinds of changes that sentences name, in one list."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class ChangeType:
    """One kind of change.

    phrase: its fields are ``device`` (how many of which kind), ``thing``, ``span`` (" from … to …" where
    values are known), ``way`` (raised, lowered or changed), ``move`` (what was connected to what), ``old``
    and ``new`` (models), ``count`` with a noun as its format, and ``of`` likewise, which leaves the number
    out. rank: the order in which a sentence names several. unit: of its values. adds: devices or loads were
    added.

    Of an alteration of rows, columns: the table and patterns of its columns; it is made where one of them
    differs, and the first is the value that is named. refers_to: the kind of thing that this value is an
    index of.
    """

    phrase: str
    rank: int
    unit: str = ""
    adds: bool = False
    columns: str = ""
    refers_to: str = ""


CHANGE_TYPES: Final[dict[str, ChangeType]] = {
    "device_added": ChangeType("{device} added", 0, adds=True),
    "uncounted_added": ChangeType("about {device} added", 0, adds=True),
    "endpoint_added": ChangeType("{thing} added", 1, adds=True),
    "other_load_added": ChangeType("other load connected to {thing}", 1, adds=True),
    "device_swapped": ChangeType("{old} replaced by {device} ({new})", 2),
    "count_raised": ChangeType("{device} more counted", 2, adds=True),
    "count_lowered": ChangeType("{device} fewer counted", 3),
    "tap_changed": ChangeType("{of:tap} of {device} {way}{span}", 3, "W", columns="points tap_*"),
    "current_changed": ChangeType(
        "{of:current} of {device} {way}{span}", 3, "A", columns="points *_current_a current_basis"
    ),
    "run_supply": ChangeType("{move}", 4, columns="runs supply_index", refers_to="supply"),
    "point_supply": ChangeType(
        "feed of {count:point} changed{span}", 4, columns="points feed_supply_index", refers_to="supply"
    ),
    "run_output": ChangeType("{move}", 4, columns="runs output_index", refers_to="output"),
    "run_amplifier": ChangeType("{move}", 4, columns="runs amplifier_index", refers_to="amplifier"),
    "run_fuse": ChangeType("fuse of {thing} {way}{span}", 4, "A", columns="runs fuse_rating_a fuse_*"),
    "run_temperature": ChangeType(
        "design temperature of {thing} {way}{span}", 5, "°C", columns="runs design_temperature_c"
    ),
    "run_zone": ChangeType("zone of {thing} changed{span}", 5, columns="runs zone_id", refers_to="zone"),
    "point_zone": ChangeType("zone of {device} changed{span}", 4, columns="points zone_id", refers_to="zone"),
    "zone_signal": ChangeType(
        "signal of {thing} changed{span}", 4, columns="zones signal", refers_to="signal"
    ),
    "supply_replaced": ChangeType(
        "{thing} replaced, rated current {way}{span}", 4, "A", columns="supplies *"
    ),
    "output_changed": ChangeType(
        "{thing} changed with its device", 4, columns="outputs impedance_ohm level_v speakers_max"
    ),
    "output_in_service": ChangeType("device of {thing} put in service", 4),
    "output_out_of_service": ChangeType("device of {thing} taken out of service", 4),
    "amplifier_replaced": ChangeType(
        "{thing} replaced, rated power {way}{span}", 4, "W", columns="amplifiers *"
    ),
    "switch_budget": ChangeType(
        "{thing} replaced, PoE budget {way}{span}", 4, "W", columns="switches budget_w power_supplies_max"
    ),
    "switch_budget_one_lost": ChangeType(
        "PoE budget of {thing} with one power supply lost {way}{span}",
        4,
        "W",
        columns="switches budget_one_lost_w",
    ),
    "switch_supplies": ChangeType(
        "number of power supplies of {thing} {way}{span}", 4, columns="switches power_supply_count"
    ),
    "switch_port_type": ChangeType("port type of {thing} {way}{span}", 4, columns="switches port_type"),
    "switch_threshold": ChangeType(
        "usage threshold of {thing} {way}{span}", 5, columns="switches usage_threshold"
    ),
    "port_type": ChangeType("type of {thing} {way}{span}", 5, columns="ports port_type"),
    "endpoint_moved": ChangeType("{move}", 5, columns="endpoints port_index over_cable", refers_to="port"),
    "endpoint_power": ChangeType(
        "PoE class or power of {thing} changed", 5, columns="endpoints poe_class *_w"
    ),
    "endpoint_cable": ChangeType(
        "cable to {thing} changed{span}", 5, "m", columns="endpoints length_* cable_index"
    ),
    "address_set": ChangeType("network address of {thing} recorded", 5, columns="addresses address_code"),
    "segment_pairs": ChangeType("pairs of {count:segment} {way}{span}", 5, columns="points *_pairs"),
    "segment_cable": ChangeType(
        "cable type of {count:segment} changed{span}", 5, columns="points cable_index", refers_to="cable"
    ),
    "segment_length": ChangeType("length of {count:segment} {way}{span}", 6, "m", columns="points length_*"),
    "segment_rerouted": ChangeType("{count:segment} rerouted", 6, columns="points parent_index"),
    "negative_cut": ChangeType("negative of {count:segment} cut or joined", 6, columns="points *_cut"),
    "port_changed": ChangeType(
        "other load of {thing} changed{span}", 6, "W", columns="ports other_power_w other_class"
    ),
    "landed": ChangeType("{count:conductor} landed", 6),
    "lifted": ChangeType("{count:conductor} lifted", 7),
    "clip_pulled": ChangeType("{count:clip} pulled", 6),
    "clip_inserted": ChangeType("{count:clip} inserted", 7),
    "zone_added": ChangeType("{count:zone} added", 7),
    "zone_ended": ChangeType("{count:zone} removed", 7),
    "paging_changed": ChangeType("paging sets changed", 7),
    "reading_taken": ChangeType("{count:reading} taken", 7),
    "test_failed": ChangeType("{count:test} failed", 7),
    "test_made": ChangeType("{count:test} made", 7),
    "device_removed": ChangeType("{device} removed", 8),
    "endpoint_ended": ChangeType("{thing} removed", 8),
    "other_load_removed": ChangeType("other load disconnected from {thing}", 8),
    "run_added": ChangeType("{thing} connected", 9),
    "run_ended": ChangeType("{thing} removed", 9),
    "supply_added": ChangeType("{thing} installed", 9),
    "supply_ended": ChangeType("{thing} removed", 9),
    "amplifier_added": ChangeType("{thing} installed", 9),
    "amplifier_ended": ChangeType("{thing} removed", 9),
    "switch_added": ChangeType("{thing} installed", 9),
    "switch_ended": ChangeType("{thing} removed", 9),
}
