"""The registry of what can be done to a plant, as sentences tell it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Act:
    """One entry. phrase: fields are ``device`` (how many of which kind), ``thing``, ``span`` (" from … to …"
    where values are known), ``way`` (raised, lowered or changed), ``move`` (what moved from where to where),
    ``old`` and ``new`` (models), and ``segments``, ``points``, ``conductors``, ``readings``, ``zones``
    (counted). rank: the order in which a sentence tells of several. unit: of its values. adds: devices or
    loads were added."""

    phrase: str
    rank: int
    unit: str = ""
    adds: bool = False


ACTS: Final[dict[str, Act]] = {
    "device_added": Act("{device} added", 0, adds=True),
    "uncounted_added": Act("about {device} added", 0, adds=True),
    "endpoint_added": Act("{thing} added", 1, adds=True),
    "other_load_added": Act("another load put on {thing}", 1, adds=True),
    "device_swapped": Act("{device} ({new}) put in place of {old}", 2),
    "count_raised": Act("{device} more counted", 2, adds=True),
    "count_lowered": Act("{device} fewer counted", 3),
    "tap_changed": Act("tap of {device} {way}{span}", 3, "W"),
    "current_changed": Act("current of {device} {way}{span}", 3, "A"),
    "run_supply": Act("{move}", 4),
    "point_supply": Act("feed of {points} of cable moved{span}", 4),
    "run_output": Act("{move}", 4),
    "run_amplifier": Act("{move}", 4),
    "run_fuse": Act("fuse of {thing} {way}{span}", 4, "A"),
    "run_zone": Act("{move}", 5),
    "point_zone": Act("{device} assigned otherwise{span}", 4),
    "supply_replaced": Act("{thing} replaced, rated current {way}{span}", 4, "A"),
    "output_changed": Act("{thing} changed with its device", 4),
    "amplifier_replaced": Act("{thing} replaced, rated power {way}{span}", 4, "W"),
    "switch_budget": Act("{thing} replaced, PoE budget {way}{span}", 4, "W"),
    "switch_budget_one_lost": Act("PoE budget of {thing} with one power supply lost {way}{span}", 4, "W"),
    "switch_supplies": Act("number of power supplies of {thing} {way}{span}", 4),
    "switch_threshold": Act("usage threshold of {thing} {way}{span}", 5),
    "endpoint_moved": Act("{move}", 5),
    "endpoint_power": Act("PoE class or power of {thing} changed", 5),
    "endpoint_cable": Act("cable to {thing} changed{span}", 5, "m"),
    "address_set": Act("{thing} given an address", 5),
    "segment_pairs": Act("pairs of {segments} of cable {way}{span}", 5),
    "segment_cable": Act("type of {segments} of cable changed{span}", 5),
    "segment_length": Act("length of {segments} of cable {way}{span}", 6, "m"),
    "segment_rerouted": Act("{segments} of cable led elsewhere", 6),
    "negative_cut": Act("minus of {segments} of cable cut or joined", 6),
    "port_changed": Act("other load of {thing} changed{span}", 6, "W"),
    "landed": Act("{conductors} landed", 6),
    "lifted": Act("{conductors} lifted", 7),
    "zone_added": Act("{zones} added", 7),
    "zone_ended": Act("{zones} ended", 7),
    "paging_changed": Act("paging sets changed", 7),
    "reading_taken": Act("{readings} taken", 7),
    "device_removed": Act("{device} removed", 8),
    "endpoint_removed": Act("{thing} removed", 8),
    "other_load_removed": Act("another load taken off {thing}", 8),
    "run_added": Act("{thing} connected", 9),
    "run_ended": Act("{thing} taken out", 9),
    "supply_added": Act("{thing} put in", 9),
    "supply_ended": Act("{thing} taken out", 9),
    "amplifier_added": Act("{thing} put in", 9),
    "amplifier_ended": Act("{thing} taken out", 9),
    "switch_added": Act("{thing} put in", 9),
    "switch_ended": Act("{thing} taken out", 9),
}
