"""Readings calibrate the values that the record only guesses.

The currents of a run on basis drawing, guessed or unknown are scaled by one factor to the measured run
current (a paging reading counts as speech; the source voltage is the one measured at the block, else computed
from the record). Then such lengths are scaled by one factor to the measured end voltage. Scaled values take
the measured band for those devices' whole life there; values on a better basis stay; devices added later are
not scaled. The newest reading wins. A factor outside 0.5–2 is not used: record or reading is wrong, and the
figure ``reading_disagrees`` shows it. The method is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .bands import HIGH, LIKELY, LOW, Basis, FloatArray, IntArray
from .dc_bands import solve_bands
from .dc_network import DcNetwork, Sources, dc_network, sources
from .figures import FigureBlock, Subjects, any_of, first_known, lookup, sums
from .forest import Forest
from .plant import FOREVER, BoolArray, Members, Plant, ReadingKind, ReadingRows, State, expand
from .point_loads import PointLoads
from .radial import solve
from .subjects import SubjectKind
from .verdicts import PAST_TOLERANCE
from .wiring import ancestor_closure, first_where_extreme, renumber, section_tops, wire

FACTOR_LEAST, FACTOR_MOST = 0.5, 2.0
SAME_LOAD = (
    *("run_index", "kind", "model_index", "device_kind", "current_basis"),
    *("speech_current_a", "idle_current_a", "count_low", "count_likely", "count_high"),
)
_ROUNDS = 160
_EQUAL = 1e-13
"""Relative distance of two factors that count as equal."""


@dataclass(frozen=True)
class Anchoring:
    """The loads after calibration, and how each reading compares with the record before it.

    loads: as ``point_loads``, scaled where a reading applies. readings: r rows in order of run, kind and
    time, each ending at the next one of its run and kind. excess: (r,) fraction by which the reading lies
    outside the band, 0 inside, NaN where it cannot be compared. factor: (r,) NaN where nothing was scaled.
    """

    loads: PointLoads
    readings: ReadingRows
    excess: FloatArray
    factor: FloatArray

    def disagreements(self, plant: Plant, members: Members) -> FigureBlock:
        """Figure reading_disagrees (by run): the largest excess of the readings that hold on the day; limit
        0."""
        readings = self.readings
        order = np.argsort(readings.group, kind="stable")
        offsets = np.searchsorted(readings.group[order], np.arange(len(plant.group_site) + 1))
        owner, at = expand(*members.slices(plant, offsets))
        row, step = order[at], members.step[owner]
        holds = (readings.begin[row] <= step) & (step < readings.end[row]) & ~np.isnan(self.excess[row])
        # backwards: of equal excesses the last reading is shown
        owner, row = owner[holds][::-1], row[holds][::-1]
        runs, pair = Subjects.distinct(SubjectKind.RUN, owner, readings.run_index[row], readings.group[row])
        worst = row[first_where_extreme(pair, self.excess[row], len(runs.member), largest=True)]
        return runs.figures(
            "reading_disagrees",
            bands=self.excess[worst],
            limit=0.0,
            detail=readings.reading_id[worst],
        )


@dataclass(frozen=True)
class _Bench:
    """The part of each reading's run that its block feeds, behind its block voltage; one tree a reading.

    row, tree, parent: (n,) point row, reading and parent of each node; paging: (n,) the reading was taken
    while paging; block_voltage_v: (3, r).
    """

    row: IntArray
    tree: IntArray
    parent: IntArray
    paging: BoolArray
    block_voltage_v: FloatArray

    @property
    def count(self) -> int:
        """r, the number of readings."""
        return int(self.block_voltage_v.shape[1])

    @cached_property
    def forest(self) -> Forest:
        return Forest.build(self.parent, self.tree, self.count)

    def solve(
        self,
        loads: PointLoads,
        band: int,
        load_factor: FloatArray | float = 1.0,
        length_factor: FloatArray | float = 1.0,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Voltage, load current and branch current of the nodes in one band, with loads and lengths scaled;
        NaN where infeasible."""
        amps, watts = loads.drawn(self.row, self.paging)
        solved = solve(
            self.forest,
            source_voltage_v=self.block_voltage_v[band],
            source_resistance_ohm=0.0,
            segment_resistance_ohm=loads.loop_resistance_ohm[band, self.row] * length_factor,
            current_a=amps[band] * load_factor,
            power_w=watts[band] * load_factor,
            conductance_s=0.0,
        )
        return solved.voltage_v, solved.load_current_a, solved.branch_current_a


def anchor(plant: Plant, loads: PointLoads) -> Anchoring:
    """The loads of ``plant`` calibrated by its readings, and how each reading compares with the record."""
    table = plant.readings
    count = len(table)
    if not count:
        return Anchoring(loads, table, np.zeros(0), np.zeros(0))
    table = table.rows(np.lexsort((table.reading_id, table.begin, table.kind, table.run_index)))
    follows = (table.run_index[1:] == table.run_index[:-1]) & (table.kind[1:] == table.kind[:-1])
    readings = replace(table, end=np.append(np.where(follows, table.begin[1:], FOREVER), FOREVER))
    newest = np.append(~follows, True)

    bench = _bench(plant, readings, loads)
    target = np.full(count, -1)  # node where each voltage was measured, −1 where the block did not feed it
    there = np.flatnonzero(plant.points.point_index[bench.row] == readings.point_index[bench.tree])
    target[bench.tree[there]] = there
    excess = _excess(bench, loads, readings, target)
    factor = np.full(count, np.nan)

    current = newest & (readings.kind == ReadingKind.RUN_CURRENT)
    factor[current] = _current_factor(bench, loads, readings.value)[current]
    loads = _scale_currents(plant, loads, bench, _usable(factor, current))
    voltage = newest & (readings.kind == ReadingKind.END_VOLTAGE) & (target >= 0)
    factor[voltage] = _length_factor(bench, loads, readings.value, target)[voltage]
    loads = _scale_lengths(plant, loads, bench, _usable(factor, voltage))
    unused = (current | voltage) & ~np.isnan(factor) & np.isnan(_usable(factor, current | voltage))
    # a factor out of range is a disagreement, even where the reading lies inside wide bands
    excess = np.where(unused, np.fmax(excess, np.abs(np.log2(np.maximum(factor, 1e-9))) - 1.0), excess)
    return Anchoring(loads, readings, excess, factor)


def _usable(factor: FloatArray, chosen: BoolArray) -> FloatArray:
    """(r,) the factor where it is chosen and lies within 0.5–2, apart from rounding, else NaN."""
    least, most = FACTOR_LEAST * (1 - PAST_TOLERANCE), FACTOR_MOST * (1 + PAST_TOLERANCE)
    with np.errstate(invalid="ignore"):
        return np.where(chosen & (factor >= least) & (factor <= most), factor, np.nan)


def _bench(plant: Plant, readings: ReadingRows, loads: PointLoads) -> _Bench:
    members = Members.of_groups(plant, readings.group, readings.begin)
    network = dc_network(plant, wire(plant, members))
    wiring = network.wiring
    computed = _block_voltages(plant, network, sources(plant, members, network), loads, readings.state)
    # the run of each reading, and only the part of it that its block feeds
    top = section_tops(network.parent, np.zeros(len(wiring.row), np.bool_))
    of_reading = plant.points.run_index[wiring.row] == readings.run_index[wiring.member]
    keep = np.flatnonzero(of_reading & (network.tree >= 0) & network.from_block[top])
    parent = renumber(keep, len(wiring.row))[network.parent[keep]]
    tree = wiring.member[keep]
    voltage = np.full((3, len(readings)), np.nan)
    voltage[:, tree] = computed[:, network.tree[keep]]
    voltage = first_known(readings.source_voltage_v, voltage)
    voltage = np.where(voltage > 0, voltage, plant.factors.nominal_supply_v)
    return _Bench(wiring.row[keep], tree, parent, readings.state[tree] == State.PAGING, voltage)


def _block_voltages(
    plant: Plant, network: DcNetwork, source: Sources, loads: PointLoads, state: IntArray
) -> FloatArray:
    """(3, t) voltage at each supply's terminals in the reading's state: kindest and likely from its open
    voltage, harshest from the bottom of its tolerance or battery."""
    fed = np.flatnonzero(network.tree >= 0)
    amps, watts = loads.drawn(network.wiring.row[fed], state[network.wiring.member[fed]] == State.PAGING)
    out = np.empty((3, len(source.row)))
    for voltage, bands in ((source.open_voltage_v, (LOW, LIKELY)), (source.voltage_v, (HIGH,))):
        terminal = solve_bands(
            network.parent[fed],
            fed,
            network.tree[fed],
            voltage,
            source.resistance_ohm,
            network.segment_ohm(loads, fed),
            amps,
            watts,
            plant.factors.nominal_supply_v,
        ).terminal_v
        for band in bands:
            out[band] = np.where(np.isnan(voltage), np.nan, terminal[band])
    return out


def _excess(bench: _Bench, loads: PointLoads, readings: ReadingRows, target: IntArray) -> FloatArray:
    """(r,) fraction by which each reading lies outside the band that is computed for it; NaN not computed."""
    has_nodes = np.bincount(bench.tree, minlength=bench.count) > 0
    value = readings.value

    def computed(band: int) -> FloatArray:
        voltage, load, _ = bench.solve(loads, band)
        current = np.where(has_nodes, sums(bench.tree, load, bench.count), np.nan)
        return np.where(readings.kind == ReadingKind.RUN_CURRENT, current, lookup(voltage, target))

    low, high = computed(LOW), computed(HIGH)
    least, most = np.fmin(low, high), np.fmax(low, high)
    with np.errstate(invalid="ignore", divide="ignore"):
        above = np.where(most > 0, (value - most) / most, np.where(value > 0, 1.0, 0.0))
        below = np.where(least > 0, (least - value) / least, 0.0)
        outside = np.maximum(above, below)
    # rounding does not put a reading on the edge of the band outside it
    outside = np.where(outside > PAST_TOLERANCE, outside, 0.0)
    return np.where(np.isnan(low) | np.isnan(high), np.nan, outside)


def _current_factor(bench: _Bench, loads: PointLoads, value: FloatArray) -> FloatArray:
    """(r,) factor on the scalable loads that makes each run's current the measured one; NaN where none are
    scalable."""

    def currents(load_factor: FloatArray) -> FloatArray:
        _, load, _ = bench.solve(loads, LIKELY, load_factor=load_factor)
        return load

    scaled = np.where(bench.paging, loads.scaled_speech[bench.row], loads.scaled_idle[bench.row])
    return _factor(bench, scaled, scaled, value, currents)


def _length_factor(bench: _Bench, loads: PointLoads, value: FloatArray, target: IntArray) -> FloatArray:
    """(r,) factor on the scalable lengths that makes the voltage at each reading's point the measured one:
    the drop to it is the sum of branch current × resistance on its path."""
    on_path = ancestor_closure(bench.parent, target)

    def drops(length_factor: FloatArray) -> FloatArray:
        _, _, branch = bench.solve(loads, LIKELY, length_factor=length_factor)
        resistance = loads.loop_resistance_ohm[LIKELY, bench.row]
        return np.where(on_path, branch * resistance * length_factor, 0.0)

    scaled = loads.scaled_length[bench.row]
    return _factor(bench, scaled, scaled & on_path, bench.block_voltage_v[LIKELY] - value, drops)


def _factor(
    bench: _Bench,
    scaled: BoolArray,
    effective: BoolArray,
    wanted: FloatArray,
    parts: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    """(r,) factor on the scaled nodes at which the sum of their tree's parts is the wanted one; NaN where no
    effective node is there.

    parts: (n,) what each node adds to the sum, at (n,) factors by node. One proportion is exact for
    constant-current loads. The current of loads in watts depends on the voltage, so the proportion is
    repeated until it converges.
    """

    def better(factor: FloatArray) -> FloatArray:
        of_node = parts(np.where(scaled, factor[bench.tree], 1.0))
        good = sums(bench.tree, np.where(scaled, 0.0, of_node), bench.count)
        moved = sums(bench.tree, np.where(scaled, of_node, 0.0), bench.count)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(moved > 0, factor * (wanted - good) / moved, np.nan)

    return _converge(better, any_of(bench.tree, effective, bench.count))


def _converge(better: Callable[[FloatArray], FloatArray], possible: BoolArray) -> FloatArray:
    """The fixed points of a proportional correction, iterated from 1; NaN where there is none.

    ``better`` is more than its argument where that is too small, less where it is too large, and NaN where
    the network has no solution, which means too large: the larger the factor, the more a run draws and the
    lower the voltage at its end. One call is exact for constant-current loads. For loads in watts it
    overshoots, without bound near collapse. So a bracket is kept, and a proposal outside it, and every third
    proposal, is replaced by the bracket's middle (bisection).

    Clipped to a tenth and ten times the usable range: a factor beyond is not used anyway.
    """
    least, most = FACTOR_LEAST / 10, FACTOR_MOST * 10
    factor = np.ones(len(possible))
    low, high = np.zeros(len(possible)), np.full(len(possible), np.inf)
    reached = np.zeros(len(possible), np.bool_)  # a factor that is too large has a solution
    dead, settled = ~possible, ~possible
    for round_ in range(_ROUNDS):
        tried = better(factor)
        none = np.isnan(tried)
        if round_ == 0:
            dead |= none
        settled |= dead | (np.abs(tried - factor) <= _EQUAL * factor)
        settled |= ((factor == most) & (tried > factor)) | ((factor == least) & (tried < factor))
        low = np.where(tried > factor, np.maximum(low, factor), low)
        high = np.where(none | (tried < factor), np.minimum(high, factor), high)
        reached |= tried < factor
        if (settled | (high - low <= _EQUAL * factor)).all():
            break
        middle = (np.maximum(low, least) + np.minimum(high, most)) / 2
        proposed = np.clip(tried, least, most)
        sound = (proposed > low) & (proposed < high) & (round_ % 3 < 2)
        factor = np.where(settled, factor, np.where(sound, proposed, middle))
    # a bracket that closed on the factor of collapse holds no fixed point
    return np.where(dead | (~settled & ~reached), np.nan, factor)


def _rows_for_life(
    plant: Plant,
    bench: _Bench,
    usable: FloatArray,
    scaled: BoolArray,
    thing: IntArray,
    same: Sequence[NDArray[Any]],
) -> FloatArray:
    """(rows,) the factor of every row of a thing of the reading's day, while it is the same; NaN elsewhere.

    thing: (rows,) the point of each row, or the one that its segment leads to. same: columns, (rows,) each,
    that equal those of the measured row without a break. A device that was removed and mounted again counts
    as another one, which was not measured.
    """
    points = plant.points
    chosen = np.flatnonzero(~np.isnan(usable[bench.tree]) & scaled[bench.row])
    row_of_point = np.full(len(plant.point_id), -1)
    factor_of_point = np.full(len(plant.point_id), np.nan)
    at = thing[bench.row[chosen]]
    row_of_point[at] = bench.row[chosen]
    factor_of_point[at] = usable[bench.tree[chosen]]
    read = row_of_point[thing]
    alike = (read >= 0) & scaled
    for column in same:
        there = column[np.where(read >= 0, read, 0)]
        both_unknown = (column != column) & (there != there)  # NaN differs from itself
        alike &= (column == there) | both_unknown
    order = np.lexsort((points.begin, thing))
    breaks = ~alike[order] | (np.diff(thing[order], prepend=-1) != 0)
    stretch = np.empty(len(order), np.int64)
    stretch[order] = np.cumsum(breaks)
    alike &= stretch == stretch[np.where(read >= 0, read, 0)]
    return np.where(alike, factor_of_point[thing], np.nan)


def _scale_currents(plant: Plant, loads: PointLoads, bench: _Bench, usable: FloatArray) -> PointLoads:
    points = plant.points
    same = [getattr(points, name) for name in SAME_LOAD]
    band = plant.factors.table("current")[:, Basis.MEASURED][:, None]
    paging = any_of(bench.tree, bench.paging, bench.count)
    for of_state, scaled in ((paging, loads.scaled_speech), (~paging, loads.scaled_idle)):
        factor = _rows_for_life(
            plant, bench, np.where(of_state, usable, np.nan), scaled, points.point_index, same
        )
        hit = ~np.isnan(factor)
        moved = {
            name: np.where(hit & own, values[LIKELY] * np.where(hit, factor, 1.0) * band, values)
            for own, names in (
                (loads.scaled_speech, ("speech_a", "speech_w")), (loads.scaled_idle, ("idle_a", "idle_w")),
            )
            for name in names
            for values in (getattr(loads, name),)
        }  # fmt: skip
        loads = replace(loads, **moved, supported=loads.supported | hit)
    return loads


def _scale_lengths(plant: Plant, loads: PointLoads, bench: _Bench, usable: FloatArray) -> PointLoads:
    points, whole = plant.points, loads.whole
    # who cuts into a segment leaves it as long as it was
    same = [points.run_index, whole.parent, whole.length_m, points.length_basis]
    factor = _rows_for_life(plant, bench, usable, loads.scaled_length, whole.point, same)
    hit = ~np.isnan(factor) & (loads.whole_m[LIKELY] > 0)
    band = plant.factors.table("length")[:, Basis.MEASURED][:, None]
    scaled = loads.whole_m[LIKELY] * np.where(hit, factor, 1.0) * band
    return loads.with_wholes(np.where(hit, scaled, loads.whole_m))
