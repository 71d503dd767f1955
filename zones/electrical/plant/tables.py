"""The tables of a plant: rows that hold from a step to another, and ratings that hold always.

Names of arrays carry units; ids are those of the record (any integers); ``*_index`` point into another table
of the plant, −1 for none. Unknown values are NaN (floats) or −1 (classes, counts): never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import itemgetter
from typing import Self

import numpy as np
from numpy.typing import NDArray

from zones.electrical.bands import FloatArray, IntArray

BoolArray = NDArray[np.bool_]
FOREVER = np.iinfo(np.int64).max


@dataclass(frozen=True)
class Table:
    """Rows with a group and a time. Every array has the same first axis; sorted by group, then begin where it
    matters. ``changed_by`` is the change set that last wrote the row."""

    group: IntArray
    begin: IntArray
    end: IntArray
    changed_by: IntArray

    def __len__(self) -> int:
        return len(self.group)

    def ordered(self, *keys: str) -> Self:
        """The same rows, sorted by group and then ``keys``."""
        return self.rows(np.lexsort(itemgetter("group", *keys)(vars(self))[::-1]))

    def rows(self, chosen: IntArray | slice) -> Self:
        """Some of the rows."""
        return type(self)(*map(itemgetter(chosen), vars(self).values()))


@dataclass(frozen=True)
class RunRows(Table):
    """What feeds a run."""

    run_index: IntArray  # dense index of the run in the plant
    zone_id: IntArray  # −1: none
    supply_index: IntArray
    output_index: IntArray
    amplifier_index: IntArray
    fuse_fitted: IntArray  # −1 unknown, 0 no, 1 yes
    fuse_rating_a: FloatArray
    design_temperature_c: FloatArray  # its own; NaN: the site's


@dataclass(frozen=True)
class PointRows(Table):
    """What a point is, and the segment to it from its parent. Sorted by (group, run, rank of the point)."""

    run_index: IntArray
    point_index: IntArray  # dense, ascending in (group, run, rank)
    parent_index: IntArray  # point index; −1: the segment comes from the block
    kind: IntArray
    device_kind: IntArray
    model_index: IntArray
    count_low: FloatArray  # devices: 1 for a device, 0 for a splice
    count_likely: FloatArray
    count_high: FloatArray
    length_m: FloatArray
    length_basis: IntArray
    length_share: FloatArray  # of a whole that was cut at a distance not recorded; NaN: its own
    length_share_place: IntArray  # of SharePlace; −1: none
    cable_index: IntArray
    dc_pairs: IntArray  # −1 unknown
    negative_cut: BoolArray
    current_basis: IntArray
    speech_current_a: FloatArray  # the device's own, which goes before its model's
    idle_current_a: FloatArray
    tap_power_w: FloatArray
    tap_basis: IntArray
    zone_id: IntArray  # its zone where that is not the run's; −1
    feed_supply_index: IntArray
    design_temperature_c: FloatArray  # of its run; NaN: the site's

    WIRED = ("parent_index", "cable_index", "dc_pairs", "negative_cut")
    """What changes only where conductors are opened and joined."""


@dataclass(frozen=True)
class SupplyRows(Table):
    supply_index: IntArray
    rated_current_a: FloatArray
    no_load_voltage_v: FloatArray
    rated_load_voltage_v: FloatArray
    voltage_tolerance: FloatArray
    lowest_voltage_v: FloatArray
    float_voltage_v: FloatArray
    class_2_marked: IntArray  # or as a limited power source; −1 unknown


@dataclass(frozen=True)
class OutputRows(Table):
    output_index: IntArray
    impedance_ohm: FloatArray
    level_v: FloatArray
    speakers_max: FloatArray
    service: IntArray  # of Service, of its device; −1: not recorded, or in service before proofs were kept


@dataclass(frozen=True)
class AmplifierRows(Table):
    amplifier_index: IntArray
    rated_power_w: FloatArray
    line_voltage_v: FloatArray
    minimum_impedance_ohm: FloatArray
    output_class: IntArray  # of OutputClass, as marked; −1 unknown


@dataclass(frozen=True)
class SwitchRows(Table):
    switch_index: IntArray
    budget_w: FloatArray  # with power_supplies_max of them fitted
    budget_one_lost_w: FloatArray  # with one fewer
    power_supplies_max: IntArray  # that its model takes; −1 unknown
    power_supply_count: IntArray  # fitted; −1 unknown
    port_type: IntArray  # of its model; −1 unknown
    usage_threshold: FloatArray


@dataclass(frozen=True)
class PortRows(Table):
    port_index: IntArray
    switch_index: IntArray
    number: IntArray
    priority: IntArray  # of PortPriority
    port_type: IntArray  # the port's own, which goes before its model's; −1: as the model
    other_load: BoolArray
    other_class: IntArray
    other_power_w: FloatArray  # at the switch


@dataclass(frozen=True)
class EndpointRows(Table):
    endpoint_index: IntArray
    port_index: IntArray
    poe_class: IntArray  # negotiated, else the model's; −1 unknown
    negotiated_power_w: FloatArray  # by LLDP, at the device's input
    paging_power_w: FloatArray  # at the device's input
    length_m: FloatArray
    length_basis: IntArray
    cable_index: IntArray
    over_cable: BoolArray  # powered over its data cable, or of unknown power source


@dataclass(frozen=True)
class PoeReadingRows(Table):
    """Measured power of a switch (its supply groups summed), holding until the next reading."""

    switch_index: IntArray
    reading_id: IntArray
    state: IntArray
    power_w: FloatArray


@dataclass(frozen=True)
class LandingRows(Table):
    block_index: IntArray
    run_index: IntArray  # −1: it belongs to what feeds runs
    row: IntArray
    field_side: BoolArray
    carries: IntArray
    pair: IntArray  # its number in its cable
    cable_code: IntArray  # equal where the cable is: that of the same run, or of the same equipment


@dataclass(frozen=True)
class ClipRows(Table):
    """Whether the clip of a row is in, or its cross-connect in place; without a row here it is."""

    block_index: IntArray
    row: IntArray
    clip_code: IntArray  # equal where block and row are
    is_in: BoolArray


@dataclass(frozen=True)
class ZoneRows(Table):
    """Zones in service, in a group of the whole site."""

    zone_id: IntArray
    signal: IntArray  # of Signal; −1: not recorded


@dataclass(frozen=True)
class HeardRows(Table):
    """Endpoints that are heard in a zone without a run, in the endpoint's group."""

    endpoint_index: IntArray
    zone_id: IntArray


@dataclass(frozen=True)
class AddressRows(Table):
    """Network addresses in use; ``address_code`` is equal where address and VLAN are."""

    endpoint_index: IntArray
    address_code: IntArray


@dataclass(frozen=True)
class PagingRows(Table):
    """Zones of a paging set, in a group of the whole site."""

    set_id: IntArray
    zone_id: IntArray


@dataclass(frozen=True)
class ReadingRows(Table):
    """Readings of a run: begin is the step whose record was measured; end is unused (``FOREVER``)."""

    run_index: IntArray
    reading_id: IntArray
    place: IntArray  # grows by the order in which those of a day were taken
    kind: IntArray
    state: IntArray
    value: FloatArray  # in the unit of its kind: [A], [V], [Ω] or [dB]
    source_voltage_v: FloatArray
    instrument_error: FloatArray  # of the value, as a fraction, as the instrument states it
    temperature_c: FloatArray  # of the cable at the time
    point_index: IntArray


@dataclass(frozen=True)
class ProofTestRows(Table):
    """Tests that make up proofs: begin is the step whose record was tested; end is unused (``FOREVER``)."""

    run_index: IntArray
    test_id: IntArray
    place: IntArray  # grows by the order in which those of a day were taken
    kind: IntArray  # of ProofTest
    passed: BoolArray


@dataclass(frozen=True)
class Covers:
    """Contracts with a test interval, and the days on which they cover a site: one row a stretch of days."""

    site_index: IntArray
    contract_id: IntArray
    first_day: IntArray  # ordinal numbers, half open
    last_day: IntArray
    months: IntArray


@dataclass(frozen=True)
class Models:
    """Ratings of speaker models, one row a model that some point names."""

    model_id: IntArray
    device_kind: IntArray
    speech_current_a: FloatArray
    idle_current_a: FloatArray
    full_output_current_a: FloatArray
    idle_power_w: FloatArray
    full_output_power_w: FloatArray
    minimum_voltage_v: FloatArray
    maximum_voltage_v: FloatArray
    input_impedance_ohm: FloatArray
    input_sensitivity_v: FloatArray
    nominal_impedance_ohm: FloatArray
    lowest_tap_w: FloatArray  # of its list of taps; NaN: it states none
    middle_tap_w: FloatArray  # the lower of two
    highest_tap_w: FloatArray


@dataclass(frozen=True)
class Cables:
    cable_id: IntArray
    gauge_awg: FloatArray  # NaN unknown
    category: BoolArray
    conductor_rating_a: FloatArray
    stranded: IntArray  # −1 unknown
    listing: IntArray  # of CableListing; −1 unknown
