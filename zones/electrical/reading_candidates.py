"""Readings that could be taken at a site: of each run the current at its block, and the voltages at the ends
of what is guessed of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .calibration import Anchoring
from .dc_network import signals
from .figures import lookup
from .plant import FOREVER, BoolArray, Members, Plant, ReadingKind, ReadingRows, RunKind, Signal, State
from .reading_bench import Bench
from .wiring import ancestor_closure, wire


@dataclass(frozen=True)
class Candidates:
    """c readings that could be taken. rows: with their likely values; value: (3, c) by estimate of load."""

    rows: ReadingRows
    value: FloatArray

    def __len__(self) -> int:
        return len(self.rows)

    def only(self, kept: BoolArray) -> Candidates:
        return Candidates(self.rows.rows(np.flatnonzero(kept)), self.value[:, kept])


def candidates(plant: Plant, anchoring: Anchoring, step: int, groups: IntArray) -> Candidates:
    """Every reading of a current or a voltage that could scale something of ``groups`` (g,), with what it
    should read by the record as of ``step``, as ``anchoring`` has it with all readings taken so far."""
    members = Members.of_groups(plant, groups, np.full(len(groups), step))
    wiring = wire(plant, members)
    wiring = wiring.only_runs(wiring.run_kind == RunKind.SELF_AMPLIFIED)
    run = wiring.runs
    judged_at = np.where(signals(plant, members, wiring) == Signal.TONES, State.TONE, State.PAGING)
    # with paging sets the zones that do not page are idle
    states = [judged_at, *([np.full(len(judged_at), State.IDLE)] if len(plant.paging) else [])]
    parts = [
        rows_to_read(plant, step, run.group, run.index, ReadingKind.RUN_CURRENT, state) for state in states
    ]
    guessed = anchoring.loads.scaled_length[wiring.row]
    # the last guessed segment of each branch: nothing guessed is behind it
    above = wiring.parent[guessed & (wiring.parent >= 0)]
    end = np.flatnonzero(guessed & ~ancestor_closure(wiring.parent, above))
    of_run, point = wiring.run[end], plant.points.point_index[wiring.row[end]]
    parts.append(
        rows_to_read(
            plant,
            step,
            run.group[of_run],
            run.index[of_run],
            ReadingKind.END_VOLTAGE,
            judged_at[of_run],
            point,
        )
    )
    rows = concatenated(parts)
    return readable(plant, anchoring, rows.rows(np.flatnonzero(~_taken(plant, step, rows))))


def _taken(plant: Plant, step: int, rows: ReadingRows) -> BoolArray:
    """(r,) whether each of ``rows`` (r,) was read by now, in that state and at that point, and its run was
    not changed since."""
    changed = np.full(len(plant.run_id), -1)
    for table in (plant.points, plant.runs):
        for edge in (table.begin, table.end):
            by_now = edge <= step
            np.maximum.at(changed, table.run_index[by_now], edge[by_now])
    read = plant.readings
    counts = (read.begin <= step) & (read.begin >= changed[read.run_index])
    points = len(plant.point_id) + 1

    def key(of: ReadingRows) -> IntArray:
        in_state = (of.run_index * len(ReadingKind) + of.kind) * len(State) + of.state
        return in_state * points + np.where(of.kind == ReadingKind.END_VOLTAGE, of.point_index, -1) + 1

    return np.isin(key(rows), key(read)[counts])


def readable(plant: Plant, anchoring: Anchoring, rows: ReadingRows) -> Candidates:
    """Those of ``rows`` (r,) that can be taken, with what they should read by the loads of ``anchoring``; a
    voltage together with that at its block."""
    voltage = rows.kind == ReadingKind.END_VOLTAGE
    bench = Bench.build(plant, anchoring.loads, rows)
    source = np.where(voltage, bench.block_voltage_v[LIKELY], np.nan)
    rows = replace(rows, source_voltage_v=source)
    bench = Bench.build(plant, anchoring.loads, rows)
    value = np.empty((3, len(rows)))
    for band in (LOW, LIKELY, HIGH):
        solved = bench.solve(band)
        volts = lookup(np.where(solved.feasible[bench.tree], solved.voltage_v, np.nan), bench.target)
        value[band] = np.where(voltage, volts, bench.total(bench.load_currents(band, unbounded=np.nan)))
    # where an extreme has no solution, the likely value stands for it
    value = np.where(np.isfinite(value), value, value[LIKELY])
    there = bench.wired & (value[LIKELY] > 0) & (~voltage | np.isfinite(source))
    return Candidates(replace(rows, value=value[LIKELY]), value).only(there)


def rows_to_read(
    plant: Plant,
    step: int,
    group: IntArray,
    run: IntArray,
    kind: ReadingKind,
    state: IntArray | State,
    point: IntArray | None = None,
) -> ReadingRows:
    """Rows (n,) for readings at a ``step``, without values, which count as newer than those of ``plant``.

    group, run: (n,) of each. kind: of all. state: (n,), or one for all. point: (n,) where a voltage is read.
    """
    count, nan = len(run), np.full(len(run), np.nan)
    return ReadingRows(
        group=group,
        begin=np.full(count, step),
        end=np.full(count, FOREVER),
        changed_by=np.full(count, -1),
        run_index=run,
        # the newest: behind those that the plant has
        reading_id=np.full(count, plant.readings.reading_id.max(initial=0) + 1),
        place=np.full(count, plant.readings.place.max(initial=0) + 1),
        kind=np.full(count, int(kind)),
        state=np.full(count, state, np.int64),
        value=nan,
        source_voltage_v=nan,
        instrument_error=nan,
        temperature_c=nan,
        point_index=np.full(count, -1) if point is None else point,
    )


def concatenated(parts: Sequence[ReadingRows]) -> ReadingRows:
    """The rows of all parts."""
    return ReadingRows(*map(np.concatenate, zip(*(vars(part).values() for part in parts), strict=True)))
