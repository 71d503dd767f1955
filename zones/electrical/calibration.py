"""Readings calibrate the values that the record only guesses.

A reading that lies inside the band which the record gives without any reading of its kind, widened by the
reading's own error, is always used; one outside never is, and disagrees by how far outside it lies. So does
one of a run that has no solution at its likely lengths.

The currents of a run on basis drawing, guessed or unknown are scaled by one factor to the measured run
current: an idle reading scales idle currents, one during speech those of speech, one at a full-level tone
those at full output. Then such lengths are scaled by one factor to the measured end voltage. No value leaves
its own band: it stops at the edge, and the factor is the one at which the values so stopped meet the reading,
or the nearer end. Around what it is scaled to, a value keeps the error with which the reading tells it: (the
reading's error + half the width of what is not scaled) / the scaled part. Scaled values hold for those
devices' whole life there; values on a better basis stay; devices added later are not scaled; of the
readings that are used for a device, the newest wins. The method is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .expected_readings import EXPECTED
from .factor_fit import fit_factor
from .figures import FigureBlock, Subjects, lookup
from .plant import FOREVER, BoolArray, Members, Plant, ReadingKind, ReadingRows, State, expand
from .point_loads import PointLoads
from .reading_bench import Bench, reading_error
from .subjects import SubjectKind
from .verdicts import PAST_TOLERANCE
from .wiring import ancestor_closure, first_where_extreme

SAME_LOAD = (
    *("run_index", "kind", "model_index", "device_kind", "current_basis"),
    *("speech_current_a", "idle_current_a", "count_low", "count_likely", "count_high"),
)
DISAGREEMENT_CODES: Final = frozenset({"reading_disagrees", "voltage_disagrees"})
SCALED_BY = {
    State.IDLE: ("scaled_idle", "idle_a", "idle_w"),
    State.PAGING: ("scaled_speech", "speech_a", "speech_w"),
    State.TONE: ("scaled_full", "full_a", "full_w"),
}
"""By state of a current reading: the rows that it may scale, and the loads that it scales there."""


@dataclass(frozen=True)
class Compared:
    """How each of r readings compares with the record.

    expected: (3, r) least, likely and most that the record gives for it without any reading of its kind, in
    the unit of its kind, NaN where it cannot be compared. error: (r,) what the reading may be off by.
    excess: (r,) how far it lies outside the band so widened, 0 inside. factor: (r,) on what it scales, and
    spread: (r,) the error of that, as a fraction of it; NaN where it scales nothing. solved: (r,) False where
    the run has no solution at its likely lengths.
    """

    expected: FloatArray
    error: FloatArray
    excess: FloatArray
    factor: FloatArray
    spread: FloatArray
    solved: BoolArray


@dataclass(frozen=True)
class Anchoring(Compared):
    """The loads after calibration, and how each reading compares with the record without it.

    loads: as ``point_loads``, scaled where a reading applies. readings: r rows, each ending at the next one
    of its kind (and of a current, its state) on its run.
    """

    loads: PointLoads
    readings: ReadingRows

    def disagreements(self, plant: Plant, members: Members) -> list[FigureBlock]:
        """Figures reading_disagrees [A] and voltage_disagrees [V] (by run): the largest excess of the
        readings that hold on the day; limit 0."""
        readings = self.readings
        order = np.argsort(readings.group, kind="stable")
        offsets = np.searchsorted(readings.group[order], np.arange(len(plant.group_site) + 1))
        owner, at = expand(*members.slices(plant, offsets))
        row, step = order[at], members.step[owner]
        holds = (readings.begin[row] <= step) & (step < readings.end[row]) & ~np.isnan(self.excess[row])

        def worst(kind: ReadingKind) -> tuple[Subjects, IntArray]:
            chosen = holds & (readings.kind[row] == kind)
            # backwards: of equal excesses the last reading is shown
            of, one = owner[chosen][::-1], row[chosen][::-1]
            runs, pair = Subjects.distinct(SubjectKind.RUN, of, readings.run_index[one], readings.group[one])
            return runs, one[first_where_extreme(pair, self.excess[one], len(runs.member), largest=True)]

        runs, one = worst(ReadingKind.RUN_CURRENT)
        currents = runs.figures(
            "reading_disagrees", bands=self.excess[one], limit=0.0, detail=readings.reading_id[one]
        )
        runs, one = worst(ReadingKind.END_VOLTAGE)
        voltages = runs.figures(
            "voltage_disagrees", bands=self.excess[one], limit=0.0, detail=readings.reading_id[one]
        )
        return [currents, voltages]


def anchor(plant: Plant, loads: PointLoads) -> Anchoring:
    """The loads of ``plant`` calibrated by its readings, and how each reading compares with the record."""
    table = plant.readings
    # a current disagrees until the next one of its state, a voltage until the next one in any
    state = np.where(table.kind == ReadingKind.RUN_CURRENT, table.state, 0)
    order = np.lexsort((table.reading_id, table.place, table.begin, state, table.kind, table.run_index))
    table, state = table.rows(order), state[order]
    follows = np.ones(max(len(table) - 1, 0), np.bool_)
    for column in (table.run_index, table.kind, state):
        follows &= column[1:] == column[:-1]
    ends = np.append(np.where(follows, table.begin[1:], FOREVER), FOREVER)[: len(table)]
    out = Anchoring(
        loads=loads,
        readings=replace(table, end=ends),
        expected=np.full((3, len(table)), np.nan),
        solved=np.ones(len(table), np.bool_),
        **{name: np.full(len(table), np.nan) for name in ("error", "excess", "factor", "spread")},
    )
    for kind, compare, scale in (
        (ReadingKind.RUN_CURRENT, _compare_currents, _scale_currents),
        (ReadingKind.END_VOLTAGE, _compare_voltages, _scale_lengths),
    ):
        chosen = np.flatnonzero(table.kind == kind)
        if len(chosen):
            bench = Bench.build(plant, out.loads, out.readings.rows(chosen))
            found = compare(bench, out.loads)
            used = (found.excess == 0) & ~np.isnan(found.factor)
            factor, spread = (np.where(used, each, np.nan) for each in (found.factor, found.spread))
            found = replace(found, factor=factor, spread=spread)
            out = replace(out, loads=scale(plant, out.loads, bench, found))
            for name in ("expected", "error", "excess", "factor", "spread", "solved"):
                getattr(out, name)[..., chosen] = getattr(found, name)
    for kind, expected in EXPECTED.items():
        chosen = np.flatnonzero(table.kind == kind)
        if len(chosen):
            readings = table.rows(chosen)
            out.expected[:, chosen] = expected(plant, out.loads, readings)
            out.error[chosen] = reading_error(readings)
            out.excess[chosen] = _outside(readings.value, out.expected[:, chosen], out.error[chosen])
    return out


def _outside(value: FloatArray, expected: FloatArray, error: FloatArray) -> FloatArray:
    """(r,) how far each ``value`` (r,), give or take its ``error`` (r,), lies outside what is ``expected``
    (3, r); NaN where that is."""
    least, _, most = expected
    outside = np.maximum(value - error - most, least - value - error)
    # rounding does not put a reading on the edge of the band outside it
    return np.where((outside > PAST_TOLERANCE * np.abs(value)) | np.isnan(outside), outside, 0.0)


def _compared(
    bench: Bench,
    corners: tuple[FloatArray, FloatArray, FloatArray],
    *,
    comparable: BoolArray,
    factor: FloatArray,
    solved: BoolArray,
    width: FloatArray,
    part: FloatArray,
) -> Compared:
    """How readings compare. corners: (r,) each, what the record gives in the kindest, likely and harshest
    corner. comparable: (r,) the record gives something at all. width: (r,) of what is not scaled; part: (r,)
    what the scaled values come to."""
    value, error = bench.readings.value, bench.error
    kindest, likely, harshest = corners
    expected = np.stack([np.fmin(kindest, harshest), likely, np.fmax(kindest, harshest)])
    outside = _outside(value, expected, error)
    # a network without a solution delivers nothing
    outside = np.where(solved, outside, value - error)
    with np.errstate(invalid="ignore", divide="ignore"):
        spread = (error + width / 2) / part
    return Compared(
        expected=np.where(comparable, expected, np.nan),
        error=error,
        excess=np.where(comparable, outside, np.nan),
        factor=np.where(solved & comparable, factor, np.nan),
        spread=spread,
        solved=solved | ~comparable,
    )


def _in_corners(of_band: Callable[[int], FloatArray]) -> tuple[FloatArray, FloatArray, FloatArray]:
    return of_band(LOW), of_band(LIKELY), of_band(HIGH)


def _compare_currents(bench: Bench, loads: PointLoads) -> Compared:
    """Each measured run current against the record, and the factor on its guessed loads."""
    total = bench.amps + bench.watts  # a load is one or the other: its band has one shape
    state = bench.readings.state[bench.tree]
    scaled = np.zeros(len(total[LIKELY]), np.bool_)
    for of_state, (where, *_) in SCALED_BY.items():
        scaled |= (state == of_state) & getattr(loads, where)[bench.row] & (total[LIKELY] > 0)

    def parts(times: FloatArray) -> FloatArray:
        return bench.load_currents(
            LIKELY, amps=bench.amps[LIKELY] * times, watts=bench.watts[LIKELY] * times, unbounded=np.nan
        )

    fit = fit_factor(bench, scaled, scaled, total, bench.readings.value, parts)
    amps, watts = bench.amps[LIKELY] * fit.times, bench.watts[LIKELY] * fit.times

    def others(band: int) -> FloatArray:
        """The sum of what is not scaled, while the scaled loads draw what was read."""
        drawn = bench.load_currents(
            band,
            amps=np.where(scaled, amps, bench.amps[band]),
            watts=np.where(scaled, watts, bench.watts[band]),
        )
        return bench.total(np.where(scaled, 0.0, drawn))

    with np.errstate(invalid="ignore"):
        width = others(HIGH) - others(LOW)
    return _compared(
        bench,
        _in_corners(lambda band: bench.total(bench.load_currents(band))),
        comparable=bench.wired,
        factor=fit.factor,
        solved=fit.reached & bench.solve(LIKELY, amps=amps, watts=watts).feasible,
        width=width,
        part=bench.total(np.where(scaled, parts(fit.times), 0.0)),
    )


def _compare_voltages(bench: Bench, loads: PointLoads) -> Compared:
    """Each measured voltage against the record, and the factor on the guessed lengths that makes the drop to
    its point the measured one: the sum of branch current × resistance on the path."""
    on_path = ancestor_closure(bench.parent, bench.target)
    scaled = loads.scaled_length[bench.row] & (bench.ohm[LIKELY] > 0)
    carries = bench.forest.totals(bench.amps[LIKELY] + bench.watts[LIKELY]) > 0
    length = loads.whole_m[:, bench.row]  # shares of a segment keep their shares

    def parts(times: FloatArray) -> FloatArray:
        ohm = bench.ohm[LIKELY] * times
        return np.where(on_path, bench.branch_currents(LIKELY, ohm) * ohm, 0.0)

    wanted = bench.block_voltage_v[LIKELY] - bench.readings.value
    fit = fit_factor(bench, scaled, scaled & on_path & carries, length, wanted, parts)

    def at_target(band: int, *, fixed: bool = False) -> FloatArray:
        """Voltage at the point of each reading; with the scaled lengths fixed, or in their own band."""
        times = np.ones(len(bench.row))
        if fixed:
            np.divide(length[LIKELY] * fit.times, length[band], out=times, where=scaled & (length[band] > 0))
        solved = bench.solve(band, ohm=bench.ohm[band] * times)
        # where there is no solution, there is no voltage
        return lookup(np.where(solved.feasible[bench.tree], solved.voltage_v, 0.0), bench.target)

    return _compared(
        bench,
        _in_corners(at_target),
        comparable=(bench.target >= 0) & ~np.isnan(bench.block_voltage_v).any(axis=0),
        factor=fit.factor,
        solved=fit.reached
        & bench.solve(LIKELY).feasible
        & bench.solve(LIKELY, ohm=bench.ohm[LIKELY] * fit.times).feasible,
        width=at_target(LOW, fixed=True) - at_target(HIGH, fixed=True),
        part=bench.total(np.where(scaled, parts(fit.times), 0.0)),
    )


def _readings_for_life(
    plant: Plant,
    bench: Bench,
    used: BoolArray,
    scaled: BoolArray,
    thing: IntArray,
    same: Sequence[NDArray[Any]],
) -> IntArray:
    """(rows,) the newest used reading of the life of each row's thing: the rows without a break in which it
    stays the same; −1 for none.

    used: (r,); scaled: (rows,). thing: (rows,) the point of each row, or the one that its segment leads to.
    same: columns, (rows,) each, that stay as they are for a life. A device that was removed and mounted again
    counts as another one, which was not measured.
    """
    chosen = np.flatnonzero(used[bench.tree] & scaled[bench.row])
    measured = np.zeros(len(plant.point_id), np.bool_)
    measured[thing[bench.row[chosen]]] = True
    rows = np.flatnonzero(measured[thing])
    order = rows[np.lexsort((plant.points.begin[rows], thing[rows]))]
    breaks = np.diff(thing[order], prepend=-1) != 0
    for column in same:
        of_row = column[order]
        both_unknown = (of_row[1:] != of_row[1:]) & (of_row[:-1] != of_row[:-1])  # NaN differs from itself
        breaks[1:] |= (of_row[1:] != of_row[:-1]) & ~both_unknown
    life = np.zeros(len(scaled), np.int64)
    life[order] = np.cumsum(breaks)
    reading_of_life = np.full(len(order) + 1, -1)
    # readings of a run are in the order of their days
    np.maximum.at(reading_of_life, life[bench.row[chosen]], bench.tree[chosen])
    return np.where(scaled, reading_of_life[life], -1)


def _scaled(values: FloatArray, reading: IntArray, found: Compared) -> FloatArray:
    """(3, rows) ``values`` scaled by the reading of each row (−1: none), with the error that it leaves, each
    stopped at the edge of its own band."""
    rows = np.flatnonzero((reading >= 0) & (values[LIKELY] > 0))
    low, likely, high = values[:, rows]
    factor, spread = found.factor[reading[rows]], found.spread[reading[rows]]
    told = np.clip(likely * factor, low, high)
    with np.errstate(invalid="ignore"):  # 0 × ∞: there is nothing to scale
        least = np.fmax(np.clip(told * (1.0 - spread), low, high), low)
        most = np.where(np.isinf(spread), high, np.clip(told * (1.0 + spread), low, high))
    out = values.copy()
    out[:, rows] = least, told, most
    return out


def _scale_currents(plant: Plant, loads: PointLoads, bench: Bench, found: Compared) -> PointLoads:
    points = plant.points
    same = [getattr(points, name) for name in SAME_LOAD]
    for state, (where, *names) in SCALED_BY.items():
        used = ~np.isnan(found.factor) & (bench.readings.state == state)
        reading = _readings_for_life(plant, bench, used, getattr(loads, where), points.point_index, same)
        told: dict[str, Any] = {name: _scaled(getattr(loads, name), reading, found) for name in names}
        loads = replace(loads, **told)
        if state == State.PAGING:  # the share that is known is one of the load at speech
            loads = replace(loads, supported=loads.supported | (reading >= 0))
    return loads


def _scale_lengths(plant: Plant, loads: PointLoads, bench: Bench, found: Compared) -> PointLoads:
    points, whole = plant.points, loads.whole
    # a point cut into a segment leaves the whole as long as it was
    same = [points.run_index, whole.parent, whole.length_m, points.length_basis]
    used = ~np.isnan(found.factor)
    reading = _readings_for_life(plant, bench, used, loads.scaled_length, whole.point, same)
    return loads.with_wholes(_scaled(loads.whole_m, reading, found))
