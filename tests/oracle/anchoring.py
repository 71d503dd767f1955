"""Readings: what an instrument said settles what the record only guessed, and shows where the record is
wrong.

Of each run the newest current reading, then the newest voltage reading, gives one factor on what was not
known well: on drawing, guessed, unknown and uncounted currents, then on such lengths. The factor is found by
trying: halving an interval until the computed reading is the measured one.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from .direct_current import solved_alone, trees_of
from .figures import Figure
from .networks import Node, Solved, Undecided, path_of, solve_dc
from .record import ReadingRow, Record, Row
from .standing import DcRun, Fed, Standing, dc_run
from .values import MEASURED, NAN, Bands, PointValues, Values

LEAST, MOST = 0.5, 2.0
BITS = 1e-9
"""Beyond something means beyond it by more than this fraction of it."""
TRIED = (LEAST / 10, MOST * 10)


@dataclass
class Compared:
    """A reading against the record as it was without it. excess: the fraction by which it lies outside the
    band; NaN where it cannot be compared. until: the step of the next one of its kind on its run."""

    reading: ReadingRow
    until: float
    excess: float


@dataclass
class _Bench:
    """The part of a run that its block feeds, alone, behind the voltage at the block. block_v: by band."""

    fed: list[Fed]
    block_v: Bands
    paging: bool

    def place_of(self, point: int | None) -> int | None:
        return next((k for k, each in enumerate(self.fed) if each.point.id == point), None)


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
        for readings in by_run.values():
            self._take(readings)

    def of(self, row: Row) -> PointValues:
        return self._settled.get(id(row)) or self._plain[id(row)]

    def plain(self, row: Row) -> PointValues:
        return self._plain[id(row)]

    # --- one run ------------------------------------------------------------------------------------------

    def _take(self, readings: list[ReadingRow]) -> None:
        benches = {reading.id: self._bench(reading) for reading in readings}
        newest: dict[str, Compared] = {}
        for kind in ("run_current", "end_voltage"):
            same = sorted(
                (t for t in readings if t.kind == kind), key=lambda reading: (reading.step, reading.id)
            )
            for place, reading in enumerate(same):
                until = same[place + 1].step if place + 1 < len(same) else math.inf
                newest[kind] = Compared(reading, until, self._excess(reading, benches[reading.id]))
                self.compared.append(newest[kind])
        for kind, factor_of, scale in (
            ("run_current", self._current_factor, self._scale_currents),
            ("end_voltage", self._length_factor, self._scale_lengths),
        ):
            if kind not in newest:
                continue
            compared = newest[kind]
            bench = benches[compared.reading.id]
            factor = factor_of(compared.reading, bench)
            if math.isnan(factor):
                continue
            if LEAST * (1 - BITS) <= factor <= MOST * (1 + BITS):
                scale(bench, factor)
                self.seen["settled"] += 1
            else:
                self.seen["unsettled"] += 1
                outside = abs(math.log2(factor)) - 1
                compared.excess = outside if math.isnan(compared.excess) else max(compared.excess, outside)

    def _bench(self, reading: ReadingRow) -> _Bench:
        standing = Standing(self.record, reading.step)
        runs = {run.id: dc_run(run) for run in standing.runs.values() if run.kind == "self_amplified"}
        paging = reading.state == "paging"
        run = runs.get(reading.run) if reading.run is not None else None
        fed = _at_block(run) if run is not None else []
        nominal = self.values.factors["nominal_supply_v"]
        block = [nominal] * 3
        if fed:
            assert run is not None
            supply = run.supply_of[fed[0].point.id]
            tree = next(tree for tree in trees_of(standing, runs) if tree.supply == supply)
            source = tree.source
            for band, source_v in enumerate((source.open_v, source.open_v, source.worst_v)):
                if not math.isnan(source_v):
                    solved = solved_alone(
                        tree.fed, band, self.plain, paging=paging, source_v=source_v, source_ohm=source.ohm
                    )
                    if solved is not None:
                        block[band] = solved.terminal_v
            if reading.source_voltage_v is not None:
                block = [reading.source_voltage_v if reading.source_voltage_v > 0 else nominal] * 3
        return _Bench(fed, Bands(*block), paging)

    def _solve(
        self, bench: _Bench, band: int, values_of: Callable[[Row], PointValues]
    ) -> tuple[list[Node], Solved | None]:
        nodes = []
        place = {each.point.id: k for k, each in enumerate(bench.fed)}
        for each in bench.fed:
            values = values_of(each.point.row)
            amps, watts = (
                (values.speech_a, values.speech_w) if bench.paging else (values.idle_a, values.idle_w)
            )
            above = None if each.above is None else place[each.above.point.id]
            nodes.append(Node(above, values.loop_ohm(band), amps[band], watts[band]))
        return nodes, solve_dc(nodes, bench.block_v[band], 0.0)

    def _try(self, bench: _Bench, values_of: Callable[[Row], PointValues]) -> Solved | None:
        """The likely estimate, where there plainly is one."""
        try:
            return self._solve(bench, 1, values_of)[1]
        except Undecided:
            return None

    def _excess(self, reading: ReadingRow, bench: _Bench) -> float:
        ends = []
        for band in (0, 2):
            _, solved = self._solve(bench, band, self.plain)
            if solved is None or not bench.fed:
                return NAN
            if reading.kind == "run_current":
                ends.append(sum(solved.load_a))
            else:
                at = bench.place_of(reading.point)
                if at is None:
                    return NAN
                ends.append(solved.volts[at])
        least, most = min(ends), max(ends)
        above = (reading.value - most) / most if most > 0 else float(reading.value > 0)
        below = (least - reading.value) / least if least > 0 else 0.0
        outside = max(above, below)
        return outside if outside > BITS else 0.0

    # --- the factors --------------------------------------------------------------------------------------

    def _current_factor(self, reading: ReadingRow, bench: _Bench) -> float:
        if not any(_moves(self.of(each.point.row), bench) for each in bench.fed):
            return NAN

        def current(factor: float) -> float | None:
            solved = self._try(bench, lambda row: _with_current(self.of(row), bench, factor))
            return None if solved is None else sum(solved.load_a)

        at_one = current(1.0)
        if at_one is None or self._moved_current(bench) <= 0:
            return NAN
        return _found(lambda factor: _above(current(factor), reading.value))

    def _moved_current(self, bench: _Bench) -> float:
        _, solved = self._solve(bench, 1, self.of)
        assert solved is not None
        return sum(
            amps
            for amps, each in zip(solved.load_a, bench.fed, strict=True)
            if _moves(self.of(each.point.row), bench)
        )

    def _length_factor(self, reading: ReadingRow, bench: _Bench) -> float:
        at = bench.place_of(reading.point)
        if at is None:
            return NAN
        nodes, solved = self._solve(bench, 1, self.of)
        path = path_of(nodes, at)
        scalable = [k for k in path if self.of(bench.fed[k].point.row).scaled_length]
        if solved is None or sum(solved.branch_a[k] * nodes[k].ohm for k in scalable) <= 0:
            return NAN

        def drop(factor: float) -> float | None:
            solved = self._try(bench, lambda row: _with_length(self.of(row), factor))
            return None if solved is None else bench.block_v.likely - solved.volts[at]

        return _found(lambda factor: _above(drop(factor), bench.block_v.likely - reading.value))

    # --- what they settle ---------------------------------------------------------------------------------

    def _scale_currents(self, bench: _Bench, factor: float) -> None:
        band = self.values.band("current", MEASURED)
        for each in bench.fed:
            if not _moves(self.of(each.point.row), bench):
                continue
            read = each.point.row
            for row in self._life(read, [r for r in self.record.points if r.thing == read.thing], _device):
                values = self.of(row)
                if values.scaled_speech:
                    values = replace(
                        values,
                        speech_a=band.times(values.speech_a.likely * factor),
                        speech_w=band.times(values.speech_w.likely * factor),
                    )
                if values.scaled_idle:
                    values = replace(
                        values,
                        idle_a=band.times(values.idle_a.likely * factor),
                        idle_w=band.times(values.idle_w.likely * factor),
                    )
                self._settled[id(row)] = values

    def _scale_lengths(self, bench: _Bench, factor: float) -> None:
        band = self.values.band("length", MEASURED)
        for each in bench.fed:
            if not self.of(each.point.row).scaled_length:
                continue
            read = each.point.row
            whole = [r for r in self.record.points if self._whole_to(r) == self._whole_to(read)]
            for row in self._life(read, whole, self._segment):
                values = self.of(row)
                if values.whole_m.likely > 0:
                    length = band.times(values.whole_m.likely * factor)
                    self._settled[id(row)] = replace(values, whole_m=length)

    def _whole_to(self, row: Row) -> int:
        """Of any row at all, each asked once."""
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
        """Of the rows of a thing those before and after the one that was read, for as long as it is the same
        thing."""
        rows = sorted(rows, key=lambda row: (row.begin, self.record.point_order[row.thing]))
        at = next(k for k, row in enumerate(rows) if row is read)
        first = last = at
        while first > 0 and what(rows[first - 1]) == what(read):
            first -= 1
        while last + 1 < len(rows) and what(rows[last + 1]) == what(read):
            last += 1
        return rows[first : last + 1]


def disagreements(standing: Standing, anchored: Anchored) -> list[Figure]:
    """Figure reading_disagrees: of each run the largest excess of the readings that hold on the day."""
    by_run: dict[int, list[Compared]] = {}
    for compared in anchored.compared:
        holds = compared.reading.step <= standing.step < compared.until
        if holds and not math.isnan(compared.excess) and compared.reading.run is not None:
            by_run.setdefault(compared.reading.run, []).append(compared)
    figures = []
    for run, readings in by_run.items():
        worst = max(compared.excess for compared in readings)
        where = frozenset(c.reading.id for c in readings if c.excess >= worst - 1e-11 * max(worst, 1e-3))
        figures.append(Figure(("run", run), "reading_disagrees", Bands(worst, worst, worst), 0.0, where))
    return figures


def _at_block(run: DcRun) -> list[Fed]:
    """The points that hang on the block's supply, in the order of the run."""

    def top(fed: Fed) -> Fed:
        while fed.above is not None:
            fed = fed.above
        return fed

    fed = [run.fed[point.id] for point in run.run.points if point.id in run.fed]
    return [each for each in fed if top(each).at_block]


def _moves(values: PointValues, bench: _Bench) -> bool:
    """Whether a reading in this state settles the current."""
    return values.scaled_speech if bench.paging else values.scaled_idle


def _with_current(values: PointValues, bench: _Bench, factor: float) -> PointValues:
    if not _moves(values, bench):
        return values
    return replace(
        values,
        speech_a=values.speech_a.times(factor),
        idle_a=values.idle_a.times(factor),
        speech_w=values.speech_w.times(factor),
        idle_w=values.idle_w.times(factor),
    )


def _with_length(values: PointValues, factor: float) -> PointValues:
    return replace(values, whole_m=values.whole_m.times(factor)) if values.scaled_length else values


def _above(found: float | None, measured: float) -> float | None:
    return None if found is None else found - measured


def _found(difference: Callable[[float], float | None]) -> float:
    """The factor at which a rising difference is nothing, held within what is tried; NaN where the network
    has no solution before it is reached."""
    low, high = TRIED
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
