"""Readings: what an instrument said settles what the record only guessed, and shows where the record is
wrong.

A reading is held against what the record gives in its worst and its best case without any reading of its
kind, give or take what the instrument may be off by. Inside, it settles what was not known well: a current
reading the drawing, guessed, unknown and uncounted currents in the state that was read, then the newest
voltage such lengths. One factor is sought for all of them by trying, halving an interval until the computed
reading is the measured one; no value is taken beyond what its basis allows. Outside, nothing is settled.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from .direct_current import trees_of
from .figures import Figure
from .networks import path_of, solve_dc
from .reading_bench import DRAWN, HIGH, LIKELY, LOW, Bench, ValuesOf, at_block, nodes_at
from .record import ReadingRow, Record, Row
from .standing import Standing, dc_run
from .values import NAN, Bands, PointValues, Values

UNKNOWN = Bands(NAN, NAN, NAN)
BITS = 1e-9
"""Beyond something means beyond it by more than this fraction of it."""


@dataclass
class Compared:
    """A reading against the record as it was without it. excess: how far beyond its own error it lies outside
    the range, in its unit; NaN where it cannot be compared. until: the step of the next one that takes its
    place. expected: what the record gives, least first; error: what the reading may be off by."""

    reading: ReadingRow
    until: float
    excess: float
    expected: Bands
    error: float


@dataclass
class _Settling:
    """What a reading comes to. factor: NaN where it scales nothing. error: of what is scaled, as a fraction
    of it."""

    excess: float
    factor: float = NAN
    error: float = NAN
    expected: Bands = UNKNOWN


class Anchored:
    """The values of a record's rows with every reading taken into account."""

    def __init__(self, record: Record) -> None:
        self.record = record
        self.values = Values(record)
        self._plain = {id(row): self.values.point(row) for row in record.points}
        self._settled: dict[int, PointValues] = {}
        self._leads_to: dict[int, int] = {}
        self.compared: list[Compared] = []
        self.seen: Counter[str] = Counter()
        by_run: dict[int, list[ReadingRow]] = {}
        for reading in record.readings:
            if reading.run is not None:
                by_run.setdefault(reading.run, []).append(reading)
        # what one run's current turns out to be bears on the voltage of the others of its supply
        for kinds, settle, scale in (
            (
                (("run_current", "idle"), ("run_current", "paging"), ("run_current", "tone")),
                self._current,
                self._scale_currents,
            ),
            ((("end_voltage", None),), self._voltage, self._scale_lengths),
        ):
            found: list[tuple[Bench, _Settling]] = []
            for readings in by_run.values():
                for kind, state in kinds:
                    same = [r for r in readings if r.kind == kind and state in (None, r.state)]
                    found += self._compare(same, settle)
            for bench, settling in found:
                scale(bench, settling)

    def of(self, row: Row) -> PointValues:
        return self._settled.get(id(row)) or self._plain[id(row)]

    def plain(self, row: Row) -> PointValues:
        return self._plain[id(row)]

    def _compare(
        self, same: list[ReadingRow], settle: Callable[[Bench], _Settling]
    ) -> list[tuple[Bench, _Settling]]:
        """Compare readings of which each takes the place of the one before. Returns those that settle
        something, the newest last."""
        same.sort(key=lambda reading: (reading.step, reading.taken))
        usable = []
        for place, reading in enumerate(same):
            newest = place + 1 == len(same)
            bench = self._bench(reading)
            settling = settle(bench)
            until = math.inf if newest else same[place + 1].step
            self.compared.append(Compared(reading, until, settling.excess, settling.expected, bench.error()))
            if settling.excess == 0 and not math.isnan(settling.factor):
                usable.append((bench, settling))
                self.seen["settled"] += 1
            elif settling.excess > 0:
                self.seen["unsettled"] += 1
        return usable

    def _bench(self, reading: ReadingRow) -> Bench:
        standing = Standing(self.record, reading.step)
        runs = {run.id: dc_run(run) for run in standing.runs.values() if run.kind == "self_amplified"}
        run = runs.get(reading.run) if reading.run is not None else None
        fed = at_block(run) if run is not None else []
        nominal = self.values.factors["nominal_supply_v"]
        bench = Bench(reading, fed, Bands(NAN, NAN, NAN), self.record.temperature_c, nominal)
        if reading.source_voltage_v:
            bench.block_v = Bands(*[reading.source_voltage_v] * 3)
        elif run is not None and fed:
            supply = run.supply_of[fed[0].point.id]
            tree = next(tree for tree in trees_of(standing, runs) if tree.supply == supply)
            block = [NAN] * 3
            for band, (volts, ohm) in enumerate(self._source(standing, supply)):
                if not math.isnan(volts):
                    nodes = nodes_at(tree.fed, band, self.of, bench.drawn, bench.warmth)
                    solved = solve_dc(nodes, volts, ohm)
                    block[band] = volts if solved is None else solved.terminal_v
            bench.block_v = Bands(*block)
        return bench

    def _source(self, standing: Standing, supply: int) -> list[tuple[float, float]]:
        """Volts and ohms: the top of its tolerance without load, or float; without load behind its internal
        resistance; the bottom of its tolerance behind it, or of its battery."""
        row = standing.of("supplies").get(supply)
        model = self.record.model(row["model_id"]) if row is not None else {}
        no_load, loaded = model.get("no_load_voltage_v"), model.get("rated_load_voltage_v")
        rated, battery = model.get("rated_current_a"), model.get("lowest_voltage_v")
        charge = model.get("float_voltage_v")
        inside = 0.0
        if no_load is not None and loaded is not None and rated is not None:
            inside = max((no_load - loaded) / rated, 0.0)
        open_v = no_load if no_load is not None else loaded
        if open_v is None:
            return [
                (NAN if charge is None else charge, 0.0),
                (NAN, 0.0),
                (NAN if battery is None else battery, 0.0),
            ]
        tolerance = model["voltage_tolerance"]
        bottom = (open_v * (1 - tolerance), inside) if battery is None else (battery, 0.0)
        if (
            battery is None
            and rated is None
            and no_load is not None
            and loaded is not None
            and loaded < no_load
        ):
            bottom = (NAN, 0.0)  # it falls; by how much is not recorded
        top = open_v * (1 + tolerance)
        return [(top if charge is None else max(top, charge), 0.0), (open_v, inside), bottom]

    # --- currents -----------------------------------------------------------------------------------------

    def _current(self, bench: Bench) -> _Settling:
        if not bench.fed:
            return _Settling(NAN)
        drawn = [bench.drawn(self.of(each.point.row)) for each in bench.fed]
        guessed = [
            bench.settles(self.of(each.point.row)) and amps.likely + watts.likely > 0
            for each, (amps, watts) in zip(bench.fed, drawn, strict=True)
        ]
        scaled_rows = {id(each.point.row) for each, is_ in zip(bench.fed, guessed, strict=True) if is_}

        def at(factor: float) -> ValuesOf:
            names = DRAWN[bench.reading.state]

            def values_of(row: Row) -> PointValues:
                values = self.of(row)
                if id(row) not in scaled_rows:
                    return values
                fixed: dict[str, Any] = {name: _fixed(getattr(values, name), factor) for name in names}
                return replace(values, **fixed)

            return values_of

        def current(factor: float) -> float | None:
            solved = bench.attempt(at(factor))[1]
            return None if solved is None else sum(solved.load_a)

        edges = [
            Bands(amps.low + watts.low, amps.likely + watts.likely, amps.high + watts.high)
            for (amps, watts), is_ in zip(drawn, guessed, strict=True)
            if is_
        ]
        factor = _sought(edges, lambda factor: _above(current(factor), bench.reading.value))
        expected = Bands(*(sum(bench.currents(band, self.of)) for band in (LOW, LIKELY, HIGH)))
        reached = not math.isnan(factor) and current(factor) is not None
        excess = _excess(bench, expected.low, expected.high, solved=reached)
        if excess > 0 or not scaled_rows:
            return _Settling(excess, expected=expected)
        low, likely, high = (bench.currents(band, at(factor)) for band in range(3))
        part = sum(amps for amps, is_ in zip(likely, guessed, strict=True) if is_)
        width = sum(h - lo for lo, h, is_ in zip(low, high, guessed, strict=True) if not is_)
        return _Settling(0.0, factor, _ratio(bench.error() + width / 2, part), expected)

    def _scale_currents(self, bench: Bench, settling: _Settling) -> None:
        for each in bench.fed:
            if not bench.settles(self.plain(each.point.row)):
                continue
            read = each.point.row
            for row in self._life(read, [r for r in self.record.points if r.thing == read.thing], _device):
                values = self.of(row)
                names = DRAWN[bench.reading.state]
                plain = self.plain(row)
                told: dict[str, Any] = {name: _told(getattr(plain, name), settling) for name in names}
                self._settled[id(row)] = replace(values, **told)

    # --- lengths ------------------------------------------------------------------------------------------

    def _voltage(self, bench: Bench) -> _Settling:
        at = bench.place_of(bench.reading.point)
        if at is None or any(math.isnan(volts) for volts in bench.block_v):
            return _Settling(NAN)
        nodes, as_recorded = bench.attempt(self.of)
        path = path_of(nodes_at(bench.fed, LIKELY, self.of, bench.drawn, bench.warmth), at)
        guessed = {
            k
            for k, each in enumerate(bench.fed)
            if self.of(each.point.row).scaled_length and self.of(each.point.row).whole_m.likely > 0
        }
        rows = {id(bench.fed[k].point.row) for k in guessed}

        def with_lengths(factor: float) -> ValuesOf:
            def values_of(row: Row) -> PointValues:
                values = self.of(row)
                if id(row) not in rows:
                    return values
                return replace(values, whole_m=_fixed(values.whole_m, factor))

            return values_of

        def drop(factor: float) -> float | None:
            solved = bench.attempt(with_lengths(factor))[1]
            return None if solved is None else bench.block_v.likely - solved.volts[at]

        felt = [
            k for k in sorted(path & guessed)
            if as_recorded is not None and as_recorded.branch_a[k] > 0
        ]  # fmt: skip
        edges = [self.of(bench.fed[k].point.row).whole_m for k in felt]
        wanted = bench.block_v.likely - bench.reading.value
        factor = _sought(edges, lambda factor: _above(drop(factor), wanted))
        reached = as_recorded is not None and not math.isnan(factor) and drop(factor) is not None
        most, likely, least = (bench.volts(band, self.of, at) for band in (LOW, LIKELY, HIGH))
        expected = Bands(least, likely, most)
        excess = _excess(bench, least, most, solved=reached)
        if excess > 0 or not felt:
            return _Settling(excess, expected=expected)
        nodes, solved = bench.attempt(with_lengths(factor))
        assert solved is not None
        part = sum(solved.branch_a[k] * nodes[k].ohm for k in path & guessed)
        width = bench.volts(LOW, with_lengths(factor), at) - bench.volts(HIGH, with_lengths(factor), at)
        return _Settling(0.0, factor, _ratio(bench.error() + width / 2, part), expected)

    def _scale_lengths(self, bench: Bench, settling: _Settling) -> None:
        for each in bench.fed:
            if not self.plain(each.point.row).scaled_length:
                continue
            read = each.point.row
            whole = [r for r in self.record.points if self._whole_to(r) == self._whole_to(read)]
            for row in self._life(read, whole, self._segment):
                values = self.of(row)
                self._settled[id(row)] = replace(values, whole_m=_told(self.plain(row).whole_m, settling))

    def _whole_to(self, row: Row) -> int:
        """``record.whole_to`` of a row, looked up once for each row."""
        if id(row) not in self._leads_to:
            self._leads_to[id(row)] = self.record.whole_to(row)
        return self._leads_to[id(row)]

    def _segment(self, row: Row) -> tuple[Any, ...]:
        """What makes a segment the same one, cut in shares or whole."""
        length = row["length_m"]
        if length is not None and row["length_share"] is not None:
            length /= row["length_share"]
        return row["run_id"], self.record.share_before(row)["parent_id"], length, row["length_basis"]

    def _life(self, read: Row, rows: list[Row], what: Callable[[Row], tuple[Any, ...]]) -> list[Row]:
        """The rows of a thing before and after the one that was read, for as long as it is the same thing."""
        rows = sorted(rows, key=lambda row: (row.begin, self.record.point_order[row.thing]))
        at = next(k for k, row in enumerate(rows) if row is read)
        first = last = at
        while first > 0 and what(rows[first - 1]) == what(read):
            first -= 1
        while last + 1 < len(rows) and what(rows[last + 1]) == what(read):
            last += 1
        return rows[first : last + 1]


def disagreements(standing: Standing, anchored: Anchored) -> list[Figure]:
    """Figures reading_disagrees and voltage_disagrees: of each run the largest excess of the readings that
    hold on the day."""
    codes = {"run_current": "reading_disagrees", "end_voltage": "voltage_disagrees"}
    by_run: dict[tuple[int, str], list[Compared]] = {}
    for compared in anchored.compared:
        reading = compared.reading
        holds = reading.step <= standing.step < compared.until
        if holds and not math.isnan(compared.excess) and reading.run is not None:
            by_run.setdefault((reading.run, codes[reading.kind]), []).append(compared)
    figures = []
    for (run, code), readings in by_run.items():
        worst = max(compared.excess for compared in readings)
        where = frozenset(c.reading.id for c in readings if c.excess >= worst - 1e-11 * max(worst, 1e-3))
        figures.append(Figure(("run", run), code, Bands(worst, worst, worst), 0.0, where))
    return figures


def _stopped(value: float, band: Bands) -> float:
    """A value, no further than its band."""
    return min(max(value, band.low), band.high)


def _fixed(band: Bands, factor: float) -> Bands:
    return Bands(*[_stopped(band.likely * factor, band)] * 3)


def _told(band: Bands, settling: _Settling) -> Bands:
    """What a reading leaves of a value: as scaled, give or take the error, and never beyond what it was."""
    if band.likely <= 0:
        return band
    likely = _stopped(band.likely * settling.factor, band)
    if math.isinf(settling.error):
        return Bands(band.low, likely, band.high)
    low, high = (_stopped(likely * (1 + sign * settling.error), band) for sign in (-1, 1))
    return Bands(low, likely, high)


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else math.inf


def _excess(bench: Bench, least: float, most: float, *, solved: bool) -> float:
    value, error = bench.reading.value, bench.error()
    if not solved:
        # what has no solution delivers nothing
        return float(value - error)
    return outside_by(value, error, least, most)


def outside_by(value: float, error: float, least: float, most: float) -> float:
    """How far a reading, give or take its error, lies outside what is expected; NaN where nothing is."""
    if math.isnan(least) or math.isnan(most):
        return NAN
    outside = max(value - error - most, least - error - value)
    return outside if outside > BITS * abs(value) else 0.0


def _above(found: float | None, measured: float) -> float | None:
    return None if found is None else found - measured


def _sought(edges: list[Bands], difference: Callable[[float], float | None]) -> float:
    """The factor at which a rising difference is nothing, or the end that comes nearest: where all values are
    stopped. NaN where the network has no solution before that. edges: low, likely and high of each value;
    without any the factor is 1."""
    low = min((low / likely for low, likely, _ in edges), default=1.0)
    high = max((high / likely for _, likely, high in edges), default=1.0)
    at_low = difference(low)
    if at_low is None:
        return NAN
    if at_low >= 0:
        return low
    at_high = difference(high)
    if at_high is not None and at_high <= 0:
        return high
    while high - low > 1e-15 * high:
        middle = (low + high) / 2
        if middle in (low, high):
            break
        at = difference(middle)
        if at is None or at > 0:
            high, at_high = middle, at
        else:
            low = middle
    return NAN if at_high is None else (low + high) / 2


def _device(row: Row) -> tuple[Any, ...]:
    """What makes a device the same one."""
    columns = (
        "run_id", "kind", "model_id", "device_kind", "current_basis", "speech_current_a", "idle_current_a",
        "count_low", "count_likely", "count_high",
    )  # fmt: skip
    return tuple(row[column] for column in columns)
