"""Readings as anchors (domain reference, section 2): what a reading settles, and where it disagrees.

The factor that makes a run draw, or a point see, what was measured is found by halving an interval.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

from .bands import HIGH, LIKELY, LOW, MEASURED, Band, each, factor, of_basis
from .circuits import Branch, KnifeEdgeError, Solved, Tree, solve
from .direct_current import feeding, solve_supply, source_at
from .figures import RUN, Figure, Key
from .record import Record, Row
from .wiring import Load, Point, Run, runs_at

LEAST, MOST = 0.5, 2.0
# Nothing is done with a factor out here but to say by how much it is out
FARTHEST: Final = (LEAST / 10, MOST * 10)
_SAME_DEVICES = (
    "run_id", "kind", "model_id", "device_kind", "current_basis", "speech_current_a", "idle_current_a",
    "count_low", "count_likely", "count_high",
)  # fmt: skip
_SAME_PIECE = ("run_id", "length_m", "length_basis")

Loads = dict[tuple[int, int], Load]


@dataclass
class Compared:
    """A reading, from and until when it holds, and by which fraction it lies outside what the record
    allows; None where it cannot be compared."""

    row: Row
    begin: int
    end: int | None
    excess: float | None = None


@dataclass
class _Bench:
    """The part of the reading's run that its block feeds, alone behind its voltage there."""

    points: list[Point]
    paging: bool
    volts: Band

    def solve(
        self,
        band: int,
        *,
        on_load: Callable[[Point], float] = lambda _: 1.0,
        on_length: Callable[[Point], float] = lambda _: 1.0,
    ) -> Solved[int]:
        network: Tree[int] = Tree()
        inside = {p.id for p in self.points}
        for p in self.points:
            load = p.load
            network.add(
                p.id,
                p.parent.id if p.parent is not None and p.parent.id in inside else None,
                Branch(
                    load.loop_ohm[band] * on_length(p),
                    (load.speech_a if self.paging else load.idle_a)[band] * on_load(p),
                    (load.speech_w if self.paging else load.idle_w)[band] * on_load(p),
                ),
            )
        return solve(network, self.volts[band])


def take_into_account(record: Record, loads: Loads) -> tuple[Loads, list[Compared]]:
    """The loads as the readings leave them, and how each reading compares with the record without them."""
    compared = _in_order(record)
    benches = [_bench(record, loads, each_.row) for each_ in compared]
    for one, bench in zip(compared, benches, strict=True):
        one.excess = _excess(bench, one.row)
    anchored = dict(loads)
    for kind, anchor in (("run_current", _anchor_currents), ("end_voltage", _anchor_lengths)):
        for one, bench in zip(compared, benches, strict=True):
            if one.row["kind"] == kind and one.end is None:
                for p in bench.points:
                    p.load = anchored[p.key]
                found = anchor(record, bench, one.row, anchored)
                if found is not None and not LEAST <= found <= MOST:
                    out = abs(math.log2(found)) - 1
                    one.excess = out if one.excess is None else max(one.excess, out)
    return anchored, compared


def reading_figures(compared: list[Compared], step: int, runs: list[Run]) -> dict[Key, Figure]:
    """reading_disagrees, by run: the largest excess of the readings that hold."""
    worst: dict[int, float] = {}
    for one in compared:
        if one.excess is not None and one.begin <= step and (one.end is None or step < one.end):
            run_id = one.row["run_id"]
            worst[run_id] = max(worst.get(run_id, 0.0), one.excess)
    return {("reading_disagrees", RUN, run_id): Figure((e, e, e), 0.0) for run_id, e in worst.items()}


def _in_order(record: Record) -> list[Compared]:
    superseded = {row["supersedes_id"] for row in record.rows["reading"].values()}
    by_kind: dict[tuple[int, str], list[Row]] = {}
    for row in record.rows["reading"].values():
        if row["run_id"] is not None and row["id"] not in superseded:
            by_kind.setdefault((row["run_id"], row["kind"]), []).append(row)
    found = []
    for rows in by_kind.values():
        rows.sort(key=lambda row: (row["step"], row["id"]))
        for row, following in zip(rows, [*rows[1:], None], strict=True):
            found.append(Compared(row, row["step"], following["step"] if following else None))
    return found


def _bench(record: Record, loads: Loads, reading: Row) -> _Bench:
    runs = runs_at(record, reading["step"], loads)
    fed = feeding(runs)
    paging = reading["state"] == "paging"
    nominal = factor(record, "nominal_supply_v")
    (run,) = [run for run in runs if run.id == reading["run_id"]] or [None]
    if run is None:
        return _Bench([], paging, (nominal,) * 3)
    points = [p for p in run.points if p.id in fed.block_fed]
    volts: list[float] = [nominal] * 3
    if points:
        source = source_at(record, run.facts["supply_id"], reading["step"])
        tree = fed.trees[run.facts["supply_id"]]
        zones: set[int] | None = None if paging else set()
        for band, of_source in ((LOW, source.open_v), (LIKELY, source.open_v), (HIGH, source.worst_v)):
            if not math.isnan(of_source):
                volts[band] = solve_supply(record, _all_alike(tree), source, band, zones, of_source).terminal_v
    measured = reading["source_voltage_v"]
    if measured is not None:
        volts = [measured] * 3
    return _Bench(points, paging, each(lambda band: volts[band] if volts[band] > 0 else nominal))


def _all_alike(tree: list[Any]) -> list[Any]:
    """Every run in the reading's state: an idle reading is taken while no zone pages, not even one that is
    in no list."""
    return [replace(fed, run=replace(fed.run, facts={**fed.run.facts, "zone_id": -1})) for fed in tree]


def _excess(bench: _Bench, reading: Row) -> float | None:
    bounds = []
    for band in (LOW, HIGH):
        solved = bench.solve(band)
        if reading["kind"] == "run_current":
            if not bench.points or not solved.feasible:
                return None
            bounds.append(sum(solved.drawn.values()))
        else:
            if reading["point_id"] not in solved.volts or not solved.feasible:
                return None
            bounds.append(solved.volts[reading["point_id"]])
    value, least, most = reading["value"], min(bounds), max(bounds)
    above = (value - most) / most if most > 0 else float(value > 0)
    below = (least - value) / least if least > 0 else 0.0
    return max(above, below, 0.0)


def _anchor_currents(record: Record, bench: _Bench, reading: Row, loads: Loads) -> float | None:
    """The factor on currents that nobody measured or read off a label; applied where it is usable."""
    scaled = {p.id for p in bench.points if p.load.current_may_scale}

    def drawn(by: float) -> float | None:
        solved = bench.solve(LIKELY, on_load=lambda p: by if p.id in scaled else 1.0)
        return sum(solved.drawn.values()) if solved.feasible else None

    if not any(_draws(p.load, bench.paging) for p in bench.points if p.id in scaled):
        return None
    found = _find(drawn, reading["value"], rising=True)
    if found is not None and LEAST <= found <= MOST:
        band = of_basis(record, "current", MEASURED)
        for p in bench.points:
            if p.id in scaled:
                for key, load in _alike(record, loads, p, _SAME_DEVICES):
                    if load.current_may_scale:
                        loads[key] = _with_currents(load, found, band)
    return found


def _draws(load: Load, paging: bool) -> bool:
    return (load.speech_a if paging else load.idle_a)[LIKELY] > 0 or (
        load.speech_w if paging else load.idle_w
    )[LIKELY] > 0


def _with_currents(load: Load, by: float, band: Band) -> Load:
    def scaled(of: Band) -> Band:
        return each(lambda k: of[LIKELY] * by * band[k])

    return replace(
        load,
        speech_a=scaled(load.speech_a),
        idle_a=scaled(load.idle_a),
        speech_w=scaled(load.speech_w),
        idle_w=scaled(load.idle_w),
    )


def _anchor_lengths(record: Record, bench: _Bench, reading: Row, loads: Loads) -> float | None:
    scaled = {p.id for p in bench.points if p.load.length_may_scale}
    by_id = {p.id: p for p in bench.points}
    at = by_id.get(reading["point_id"])
    path = []
    while at is not None:
        path.append(at)
        at = at.parent
    if not any(p.id in scaled for p in path):
        return None

    def seen(by: float) -> float | None:
        solved = bench.solve(LIKELY, on_length=lambda p: by if p.id in scaled else 1.0)
        return solved.volts[reading["point_id"]] if solved.feasible else None

    as_recorded = bench.solve(LIKELY)
    if not as_recorded.feasible or not any(
        p.id in scaled and as_recorded.through[p.id] * p.load.loop_ohm[LIKELY] > 0 for p in path
    ):
        return None
    found = _find(seen, reading["value"], rising=False)
    if found is not None and LEAST <= found <= MOST:
        band = of_basis(record, "length", MEASURED)
        for p in bench.points:
            if p.id in scaled:
                for key, load in _alike(record, loads, p, _SAME_PIECE):
                    if load.length_may_scale:
                        loads[key] = _with_length(load, found, band)
    return found


def _with_length(load: Load, by: float, band: Band) -> Load:
    if load.length_m[LIKELY] <= 0:
        return load
    length = each(lambda k: load.length_m[LIKELY] * by * band[k])
    return replace(
        load,
        length_m=length,
        loop_ohm=each(lambda k: load.loop_ohm[k] / load.length_m[k] * length[k]),
        pair_ohm=each(lambda k: load.pair_ohm[k] / load.length_m[k] * length[k]),
    )


def _alike(record: Record, loads: Loads, point: Point, names: tuple[str, ...]) -> list[tuple[Any, Load]]:
    """Rows of the same point, whenever they hold, that say the same as the one that was measured."""
    return [
        ((point.id, row["step"]), loads[point.id, row["step"]])
        for row in record.facts["point_facts"][point.id]
        if all(row[name] == point.facts[name] for name in names)
    ]


def _find(of: Callable[[float], float | None], wanted: float, *, rising: bool) -> float | None:
    """The factor at which ``of`` is ``wanted``, within ``FARTHEST``; its bound where it lies beyond."""
    low, high = FARTHEST
    at_low = of(low)
    if at_low is None:
        raise KnifeEdgeError
    if (at_low >= wanted) if rising else (at_low <= wanted):
        return low
    at_high = of(high)
    # no solution with so much load or cable: the voltage has collapsed, so the wanted one lies before
    if at_high is not None and ((at_high <= wanted) if rising else (at_high >= wanted)):
        return high
    for _ in range(200):
        middle = (low + high) / 2
        found = of(middle)
        short = found is not None and ((found < wanted) if rising else (found > wanted))
        if middle in (low, high):
            break
        low, high = (middle, high) if short else (low, middle)
    return (low + high) / 2
