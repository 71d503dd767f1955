"""The record at each reading: the run that was measured, as of that day, behind the voltage at its block.

For readings the source runs from its bottom (of its tolerance or battery, harshest), through its no-load
voltage behind its internal resistance and without tolerance (likely), to the top of its tolerance without
load, or its float charge if that is more (kindest); a voltage measured at the block stands for all three. The
temperature is the reading's, else from 20 °C to the design temperature, likely the middle of the two. All of
this is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from .bands import HIGH, LIKELY, FloatArray, IntArray
from .conductors import design_temperature_c, temperature_factor
from .dc_network import DcNetwork, dc_network, sources
from .figures import any_of, first_known, lookup, sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, ReadingKind, ReadingRows, State
from .point_loads import PointLoads
from .radial import Solution, solve
from .wiring import renumber, section_tops, wire

WHERE_COPPER_IS_RATED_C = 20.0
CURRENT_ERROR, SPEECH_ERROR, VOLTAGE_ERROR = 0.05, 0.10, 0.01
"""What a reading may be off by, as a fraction of it, unless the instrument states otherwise: a current, idle
or at a steady tone; one during speech, which fluctuates; a voltage (common practice, no source)."""

RESISTANCE_ERROR, LEADS_OHM = 0.02, 0.1
"""The same of a loop resistance, and what test leads and clips add to it (common practice, no source)."""

IMPEDANCE_ERROR = 0.10
"""The same of an impedance at 1 kHz: taps are made to some percent (common practice, no source)."""

LEVEL_ERROR_DB = 0.5
"""Error of a level reading [dB], the same for every level (common practice, no source)."""


@dataclass(frozen=True)
class Bench:
    """The part of each reading's run that its block feeds, behind its block voltage; r trees of n nodes.

    row, tree, parent: (n,) point row, reading and parent of each node. target: (r,) node where a voltage was
    measured, −1 where the block does not feed it. block_voltage_v: (3, r), NaN where it is not known.
    amps, watts, ohm: (3, n) what each node draws in the reading's state, and the loop resistance of its
    segment at the reading's temperature. nominal_v: what stands for a block voltage that is not known.
    """

    readings: ReadingRows
    row: IntArray
    tree: IntArray
    parent: IntArray
    target: IntArray
    block_voltage_v: FloatArray
    amps: FloatArray
    watts: FloatArray
    ohm: FloatArray
    nominal_v: float

    @classmethod
    def build(cls, plant: Plant, loads: PointLoads, readings: ReadingRows) -> Bench:
        """The bench of ``readings`` (r rows), with the loads and lengths that ``loads`` has by now."""
        members = Members.of_groups(plant, readings.group, readings.begin)
        network = dc_network(plant, wire(plant, members))
        wiring = network.wiring
        measured = np.where(readings.source_voltage_v > 0, readings.source_voltage_v, np.nan)
        computed = _block_voltages(plant, members, network, loads, readings, np.isnan(measured))
        # the run of each reading, and only the part of it that its block feeds
        top = section_tops(network.parent, np.zeros(len(wiring.row), np.bool_))
        of_reading = plant.points.run_index[wiring.row] == readings.run_index[wiring.member]
        keep = np.flatnonzero(of_reading & (network.tree >= 0) & network.from_block[top])
        row, tree = wiring.row[keep], wiring.member[keep]
        voltage = np.full((3, len(readings)), np.nan)
        voltage[:, tree] = computed[:, network.tree[keep]]
        amps, watts = _drawn(loads, row, readings.state[tree])
        target = np.full(len(readings), -1)
        there = np.flatnonzero(plant.points.point_index[row] == readings.point_index[tree])
        target[tree[there]] = there
        return cls(
            readings=readings,
            row=row,
            tree=tree,
            parent=renumber(keep, len(wiring.row))[network.parent[keep]],
            target=target,
            block_voltage_v=first_known(measured, voltage),
            amps=amps,
            watts=watts,
            ohm=loads.loop_resistance_ohm[:, row] * warmth(plant, row, readings.temperature_c[tree]),
            nominal_v=plant.factors.nominal_supply_v,
        )

    @property
    def count(self) -> int:
        """r, the number of readings."""
        return len(self.readings)

    @cached_property
    def forest(self) -> Forest:
        return Forest.build(self.parent, self.tree, self.count)

    @cached_property
    def wired(self) -> BoolArray:
        """(r,) the block feeds something of the run."""
        return np.bincount(self.tree, minlength=self.count) > 0

    @cached_property
    def in_watts(self) -> BoolArray:
        """(r,) some load of the run is stated in watts, so that its current depends on the voltage."""
        return any_of(self.tree, self.watts[HIGH] > 0, self.count)

    def total(self, of_node: FloatArray) -> FloatArray:
        """(r,) the sum of ``of_node`` (n,) over each run."""
        return sums(self.tree, of_node, self.count)

    def solve(
        self,
        band: int,
        *,
        amps: FloatArray | None = None,
        watts: FloatArray | None = None,
        ohm: FloatArray | None = None,
    ) -> Solution:
        """The runs in one band, with other loads [A], [W] or resistances [Ω] (n,) where they are given."""
        return solve(
            self.forest,
            source_voltage_v=first_known(self.block_voltage_v[band], self.nominal_v),
            source_resistance_ohm=0.0,
            segment_resistance_ohm=self.ohm[band] if ohm is None else ohm,
            current_a=self.amps[band] if amps is None else amps,
            power_w=self.watts[band] if watts is None else watts,
            conductance_s=0.0,
        )

    def load_currents(
        self,
        band: int,
        *,
        amps: FloatArray | None = None,
        watts: FloatArray | None = None,
        unbounded: float = np.inf,
    ) -> FloatArray:
        """(n,) current of each node's load in one band [A], with other loads where they are given. Where a
        run has no solution a constant current stays what it is, and one in watts is ``unbounded``."""
        amps = self.amps[band] if amps is None else amps
        watts = self.watts[band] if watts is None else watts
        if not self._in_watts:
            return amps
        trees, node = self._in_watts
        out = amps.copy()
        drawn = trees.solve(band, amps=amps[node], watts=watts[node]).load_current_a
        out[node] = first_known(drawn, np.where(watts[node] > 0, unbounded, amps[node]))
        return out

    def branch_currents(self, band: int, ohm: FloatArray) -> FloatArray:
        """(n,) current in the segment to each node in one band [A], with resistances ``ohm`` (n,); NaN where
        a run with loads in watts has no solution."""
        out = self.forest.totals(self.amps[band])
        if self._in_watts:
            trees, node = self._in_watts
            out[node] = trees.solve(band, ohm=ohm[node]).branch_current_a
        return out

    @cached_property
    def _in_watts(self) -> tuple[Bench, IntArray] | None:
        """The runs with loads stated in watts, whose currents depend on the voltage, and the numbers of their
        nodes here; None where there are none."""
        node = np.flatnonzero(any_of(self.tree, self.watts[HIGH] > 0, self.count)[self.tree])
        if not len(node):
            return None
        parent = renumber(node, len(self.row))[self.parent[node]]
        of_node = {name: getattr(self, name)[node] for name in ("row", "tree")}
        banded = {name: getattr(self, name)[:, node] for name in ("amps", "watts", "ohm")}
        return replace(self, parent=parent, target=np.full(self.count, -1), **of_node, **banded), node

    @property
    def error(self) -> FloatArray:
        """(r,) what each reading may be off by [A] or [V]."""
        return reading_error(self.readings)


def reading_error(readings: ReadingRows) -> FloatArray:
    """(r,) what each reading may be off by, in the unit of its kind: what the instrument states, else as
    usual for its kind. An instrument states a fraction, but for a level [dB]."""
    kind, value = readings.kind, np.abs(readings.value)
    fluctuates = np.where(readings.state == State.PAGING, SPEECH_ERROR, CURRENT_ERROR)
    usual = np.select(
        [kind == of_kind for of_kind in ReadingKind],
        [fluctuates, VOLTAGE_ERROR, RESISTANCE_ERROR, IMPEDANCE_ERROR, LEVEL_ERROR_DB],
    )
    stated = first_known(readings.instrument_error, usual)
    leads = np.where((kind == ReadingKind.LOOP_RESISTANCE), LEADS_OHM, 0.0)
    return np.asarray(np.where(kind == ReadingKind.LEVEL, stated, value * stated + leads))


def _drawn(loads: PointLoads, row: IntArray, state: IntArray) -> tuple[FloatArray, FloatArray]:
    """(3, n) currents [A] and constant powers [W] of rows ``row`` (n,), each in a ``state`` (n,)."""
    return loads.drawn(row, state != State.IDLE, state == State.TONE)


def warmth(plant: Plant, row: IntArray, read_at_c: FloatArray) -> FloatArray:
    """(3, n) resistance of each row's segment at the reading, as a multiple of that in ``PointLoads``.

    read_at_c: (n,) temperature that was noted with the reading, NaN none.
    """
    points = plant.points
    computed_at = design_temperature_c(
        plant.temperature_c[plant.group_site[points.group[row]]], points.design_temperature_c[row]
    )
    design, rated = computed_at[LIKELY], np.full(len(row), WHERE_COPPER_IS_RATED_C)
    span = np.stack([np.minimum(design, rated), (design + rated) / 2, np.maximum(design, rated)])
    out: FloatArray = temperature_factor(first_known(read_at_c, span)) / temperature_factor(computed_at)
    return out


def _block_voltages(
    plant: Plant,
    members: Members,
    network: DcNetwork,
    loads: PointLoads,
    readings: ReadingRows,
    wanted: BoolArray,
) -> FloatArray:
    """(3, t) voltage at each supply's terminals in the reading's state, where ``wanted`` (r,); NaN where the
    source is not known.

    A supply without a solution counts as an ideal source: each of its runs is then judged alone.
    """
    source = sources(plant, members, network)
    table = plant.supplies
    open_voltage = source.open_voltage_v
    loaded = lookup(table.rated_load_voltage_v, source.row)
    internal = (lookup(table.no_load_voltage_v, source.row) - loaded) / source.rated_current_a
    bottom = np.where(source.sags_unknown, np.nan, source.voltage_v)
    volts = np.stack([source.highest_voltage_v, open_voltage, bottom])
    resistance = np.stack([np.zeros(len(volts[0])), np.fmax(internal, 0.0), source.resistance_ohm])

    fed = np.flatnonzero((network.tree >= 0) & wanted[network.wiring.member])
    member, tree, trees = network.wiring.member[fed], network.tree[fed], len(open_voltage)
    amps, watts = _drawn(loads, network.wiring.row[fed], readings.state[member])
    warmth_of_fed = warmth(plant, network.wiring.row[fed], readings.temperature_c[member])
    parent = renumber(fed, len(network.wiring.row))[network.parent[fed]]
    solved = solve(
        Forest.build(parent, tree, trees).times(3),
        source_voltage_v=first_known(volts, plant.factors.nominal_supply_v).ravel(),
        source_resistance_ohm=resistance.ravel(),
        segment_resistance_ohm=(network.segment_ohm(loads, fed) * warmth_of_fed).ravel(),
        current_a=amps.ravel(),
        power_w=watts.ravel(),
        conductance_s=0.0,
    )
    terminal = first_known(solved.terminal_voltage_v.reshape(3, trees), volts)
    return np.where(np.isnan(volts), np.nan, terminal)
