"""The immutable snapshot from which everything is computed.

A ``Plant`` has tables of dated rows. A row holds for steps ``begin <= step < end``. Every row belongs to a
*group*: the things whose figures can depend on each other on some day (a supply with every run it ever fed
and the outputs and amplifiers behind those; a switch with its ports and endpoints; a block; a site's
addresses). The groups of one site are contiguous, and tables are sorted by group, so the rows of a member are
one slice of each table. The same geometry serves every day: a point of a later day is not selected, a removed
point is a splice.

Names of arrays carry units; ids are those of the record (any integers); ``*_index`` point into another table
of the plant, −1 for none. Unknown values are NaN (floats) or −1 (classes, counts): never zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import IntEnum
from functools import cached_property
from operator import itemgetter
from typing import Self

import numpy as np
from numpy.typing import NDArray

from .bands import Factors, FloatArray, IntArray

BoolArray = NDArray[np.bool_]
FOREVER = np.iinfo(np.int64).max


class RunKind(IntEnum):
    SELF_AMPLIFIED, CONSTANT_VOLTAGE, LOW_IMPEDANCE = range(3)


class PointKind(IntEnum):
    SPLICE, DEVICE, UNCOUNTED_GROUP = range(3)


class SharePlace(IntEnum):
    """Where a share of a segment lies, that was cut at a distance not recorded: from the block on. ALONE: the
    others are recorded otherwise since, so it may be any part of the whole."""

    FIRST, MIDDLE, LAST, ALONE = range(4)


class BlockKind(IntEnum):
    SPLIT_66, UNSPLIT_66, TYPE_110, SCREW = range(4)


class ReadingKind(IntEnum):
    RUN_CURRENT, END_VOLTAGE = range(2)


class State(IntEnum):
    IDLE, PAGING = range(2)


class PortPriority(IntEnum):
    CRITICAL, HIGH, LOW = range(3)


class CableListing(IntEnum):
    COMMUNICATIONS, CLASS_2, CLASS_3, POWER = range(4)


class OutputClass(IntEnum):
    CLASS_1, CLASS_2, CLASS_3, UNMARKED = range(4)


class Jurisdiction(IntEnum):
    UNITED_STATES, CANADA, ELSEWHERE = range(3)


class Signal(IntEnum):
    SPEECH, TONES = range(2)


class Carries(IntEnum):
    AUDIO_POSITIVE, AUDIO_NEGATIVE, DC_POSITIVE, DC_NEGATIVE, LINE_HOT, LINE_COMMON, SPARE = range(7)


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
    """DC readings of a run: begin is the step whose record was measured; end is unused (``FOREVER``)."""

    run_index: IntArray
    reading_id: IntArray
    kind: IntArray
    state: IntArray
    value: FloatArray  # [A] or [V]
    source_voltage_v: FloatArray
    instrument_error: FloatArray  # of the value, as a fraction, as the instrument states it
    temperature_c: FloatArray  # of the cable at the time
    point_index: IntArray


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


TABLE_OF_KIND = {
    "run": "runs",
    "supply": "supplies",
    "output": "outputs",
    "amplifier": "amplifiers",
    "switch": "switches",
    "port": "ports",
    "endpoint": "endpoints",
}
"""The kinds of things with facts, and the table of the plant that has them."""


@dataclass(frozen=True, eq=False)
class Plant:
    """Everything that figures depend on, for one site or many.

    Ids by dense index: ``run_id``, ``point_id``, ``supply_id``, … Sites: ``site_id`` (s,), ``temperature_c``
    (s,), ``jurisdiction`` (s,) of ``Jurisdiction``, −1 unknown. Runs: ``run_kind`` (``RunKind``),
    ``run_block`` index of its block, ``run_block_kind`` (``BlockKind``). Blocks: ``block_kind``. Outputs:
    ``output_endpoint`` index of its endpoint. Groups: ``group_site`` (g,) ascending index of the site a group
    belongs to.
    """

    site_id: IntArray
    temperature_c: FloatArray
    jurisdiction: IntArray
    group_site: IntArray
    run_id: IntArray
    run_kind: IntArray
    run_block: IntArray
    run_block_kind: IntArray
    point_id: IntArray
    supply_id: IntArray
    output_id: IntArray
    output_endpoint: IntArray
    amplifier_id: IntArray
    switch_id: IntArray
    port_id: IntArray
    endpoint_id: IntArray
    block_id: IntArray
    block_kind: IntArray
    models: Models
    cables: Cables
    runs: RunRows
    points: PointRows
    supplies: SupplyRows
    outputs: OutputRows
    amplifiers: AmplifierRows
    switches: SwitchRows
    ports: PortRows
    endpoints: EndpointRows
    poe_readings: PoeReadingRows
    landings: LandingRows
    clips: ClipRows
    zones: ZoneRows
    heard: HeardRows
    addresses: AddressRows
    paging: PagingRows
    readings: ReadingRows
    factors: Factors = field(default_factory=Factors)

    @cached_property
    def tables(self) -> dict[str, Table]:
        """Every table of dated rows, by name."""
        return {f.name: value for f in fields(self) if isinstance(value := getattr(self, f.name), Table)}

    @cached_property
    def group_offsets(self) -> dict[str, IntArray]:
        """By table name: (g+1,) where the rows of each group begin."""
        count = np.arange(len(self.group_site) + 1)
        return {name: np.searchsorted(table.group, count) for name, table in self.tables.items()}

    @cached_property
    def site_groups(self) -> IntArray:
        """(s+1,) where the groups of each site begin."""
        return np.searchsorted(self.group_site, np.arange(len(self.site_id) + 1))

    def steps_of_groups(self, groups: IntArray) -> tuple[IntArray, IntArray]:
        """Every step at which a row of one of ``groups`` begins or ends, each once.

        groups: (k,) distinct group numbers. Returns (position in ``groups``, step), sorted by both.
        """
        at: list[IntArray] = []
        steps: list[IntArray] = []
        for name, table in self.tables.items():
            if name in {"readings", "zones", "heard"}:  # they change no load: a reading is no event on site
                continue
            offsets = self.group_offsets[name]
            if name == "paging":  # bears on every group of its site
                site = self.group_site[groups]
                position, rows = expand(offsets[self.site_groups[site]], offsets[self.site_groups[site + 1]])
            else:
                position, rows = expand(offsets[groups], offsets[groups + 1])
            for edge in (table.begin[rows], table.end[rows]):
                known = edge != FOREVER
                at.append(position[known])
                steps.append(edge[known])
        pairs = np.unique(np.column_stack([np.concatenate(at), np.concatenate(steps)]), axis=0)
        return pairs[:, 0], pairs[:, 1]


@dataclass(frozen=True)
class Members:
    """Sites, or single groups of them, each as of a step.

    site: (m,) index into ``plant.site_id``; step: (m,); group: (m,) a group of that site, or −1 for all of
    them.
    """

    site: IntArray
    step: IntArray
    group: IntArray

    def __len__(self) -> int:
        return len(self.site)

    def slices(
        self, plant: Plant, offsets: IntArray, *, site_wide: bool = False
    ) -> tuple[IntArray, IntArray]:
        """(m,) start and stop of each member's rows in a table whose groups begin at ``offsets`` (g+1,)."""
        whole = np.ones(len(self), np.bool_) if site_wide else self.group < 0
        first = np.where(whole, plant.site_groups[self.site], self.group)
        last = np.where(whole, plant.site_groups[self.site + 1], self.group + 1)
        return offsets[first], offsets[last]

    @classmethod
    def of_sites(cls, plant: Plant, step: IntArray | int) -> Members:
        """One member a site, whole, as of ``step`` (one for all, or one each)."""
        count = len(plant.site_id)
        return cls(
            np.arange(count), np.broadcast_to(np.asarray(step, np.int64), (count,)), np.full(count, -1)
        )

    @classmethod
    def of_groups(cls, plant: Plant, group: IntArray, step: IntArray) -> Members:
        """One member a (group, step)."""
        return cls(plant.group_site[group], np.asarray(step, np.int64), np.asarray(group, np.int64))


def place_of(ids: IntArray, wanted: IntArray) -> IntArray:
    """(n,) where each of ``wanted`` stands in ``ids`` (ascending); −1 where it does not.

    >>> place_of(np.array([4, 9]), np.array([9, -1, 5])).tolist()
    [1, -1, -1]
    """
    if not len(ids):
        return np.full(len(wanted), -1)
    place = np.minimum(np.searchsorted(ids, wanted), len(ids) - 1)
    return np.where(ids[place] == wanted, place, -1)


def expand(start: IntArray, stop: IntArray) -> tuple[IntArray, IntArray]:
    """Concatenate ranges: for ranges (k,) ``start`` to ``stop`` returns (range number, index), each (total,).

    >>> [a.tolist() for a in expand(np.array([0, 5]), np.array([2, 6]))]
    [[0, 0, 1], [0, 1, 5]]
    """
    length = np.maximum(np.asarray(stop) - np.asarray(start), 0)
    owner = np.repeat(np.arange(len(length)), length)
    first = np.cumsum(length) - length
    return owner, np.arange(len(owner)) - first[owner] + np.asarray(start)[owner]


def select(
    plant: Plant, name: str, members: Members, *, site_wide: bool = False
) -> tuple[IntArray, IntArray]:
    """The rows of a table that hold for each member.

    name: of the plant's table, such as "runs". site_wide: take all rows of the member's site
    (zones and paging sets bear on every group). Returns (member number, row number), each (total,), sorted by
    member and then row.
    """
    table = plant.tables[name]
    owner, row = expand(*members.slices(plant, plant.group_offsets[name], site_wide=site_wide))
    step = members.step[owner]
    holds = (table.begin[row] <= step) & (step < table.end[row])
    return owner[holds], row[holds]
