"""The points of runs as they were put up: how many, of which model, how far apart, on which cable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from zones.electrical.bands import CATEGORY_HIGH_RESISTANCE, HIGH, Basis, Factors
from zones.electrical.conductors import resistance_ohm_per_m
from zones.fleet.batch import NONE, Batch, Fate, Floats, Gap, Ints, RunKind, pick, several, totals
from zones.fleet.catalogue import SPEECH_A, Cable, Model

SPLICE, DEVICE, UNCOUNTED_GROUP = 0, 1, 2
LEAST_V, NEAR_V = 18.0, 19.8
SUPPLY_V = 23.6
"""About what a supply gives its runs: 24.4 V less tolerance and what its own resistance takes."""
_SPARE_V = SUPPLY_V - NEAR_V - 1.2
_NEAR_DROP_V = SUPPLY_V - (LEAST_V + NEAR_V) / 2
_LINE_SPARE = 0.075  # of a line's voltage: well within 1 dB
NEAR_LINE_SPEAKERS = 39
UNMEASURED_SPEAKERS = (10, 12)
"""Least and most ceiling speakers on one pair, if of no length anything is known: with the shortest that it
may have they are well fed, with the longest they are not."""

# (least, most) devices a run, and metres between them
_COUNT = {
    Model.CEILING: (6, 16), Model.WALL: (4, 12), Model.HORN: (2, 4), Model.LINE_CEILING: (20, 56),
    Model.LINE_HORN: (2, 8), Model.LOW_WALL: (2, 2),
}  # fmt: skip
_SPACING_M = {
    Model.CEILING: (5.0, 9.0), Model.WALL: (6.0, 12.0), Model.HORN: (15.0, 30.0),
    Model.LINE_CEILING: (4.0, 8.0), Model.LINE_HORN: (10.0, 25.0), Model.LOW_WALL: (3.0, 5.0),
}  # fmt: skip
_DEVICE_KIND = {
    Model.CEILING: 1, Model.WALL: 2, Model.HORN: 3, Model.LARGE_HORN: 3, Model.LINE_CEILING: 1,
    Model.LINE_HORN: 3, Model.LOW_WALL: 2, Model.WALL_AFTER: 2,
}  # fmt: skip
_TABLES = {name: Factors().table(name) for name in ("length", "current")}


def of_model(values: Mapping[Model, float], model: Ints) -> Floats:
    """(n,) what ``values`` says of each model; NaN where it says nothing."""
    table = np.full(max(Model) + 2, np.nan)
    for one, value in values.items():
        table[one] = value
    return table[model]


@dataclass(frozen=True)
class Loads:
    """By run: high estimates of current [A] and power [W]; likely current [A]; likely resistance of the
    conductors from the block to the last device [Ω], and the likely voltage there [V]."""

    high_current_a: Floats
    high_power_w: Floats
    likely_current_a: Floats
    end_resistance_ohm: Floats
    end_voltage_v: Floats


def pull_cables(rng: np.random.Generator, batch: Batch) -> Loads:
    """Add the points of every run, in the order of the runs, and say what they amount to."""
    runs = batch.tables["run"]
    kind, fate, gap = runs["kind"], runs["fate"], runs["gap"]
    model = np.where(
        kind == RunKind.SELF_AMPLIFIED,
        pick(rng, {Model.CEILING: 0.72, Model.WALL: 0.2, Model.HORN: 0.08}, len(kind)),
        np.where(
            kind == RunKind.CONSTANT_VOLTAGE,
            pick(rng, {Model.LINE_CEILING: 0.88, Model.LINE_HORN: 0.12}, len(kind)),
            Model.LOW_WALL,
        ),
    )
    steered = (fate == Fate.PAST) | (fate == Fate.NEAR)
    unmeasured = gap == Gap.LENGTHS
    ceiling = unmeasured | (gap == Gap.COUNT) | (steered & (kind == RunKind.SELF_AMPLIFIED))
    model = np.where(ceiling, Model.CEILING, model)
    # a likely tap is that of the speakers, so that what is not known of it is how far it may be from that
    one_watt = (gap == Gap.TAPS) | (steered & (kind == RunKind.CONSTANT_VOLTAGE))
    model = np.where(one_watt, Model.LINE_CEILING, model)
    least = of_model({m: lo for m, (lo, _) in _COUNT.items()}, model).astype(np.int64)
    most = of_model({m: hi for m, (_, hi) in _COUNT.items()}, model).astype(np.int64)
    few, many = UNMEASURED_SPEAKERS
    least, most = np.where(unmeasured, few, least), np.where(unmeasured, many, most)
    counts = rng.integers(least, most + 1)
    counts = np.where((fate == Fate.NEAR) & (kind == RunKind.CONSTANT_VOLTAGE), NEAR_LINE_SPEAKERS, counts)
    on_line = kind == RunKind.CONSTANT_VOLTAGE
    runs["line_voltage_v"] = np.where(on_line, pick(rng, {707: 0.75, 1000: 0.25}, len(kind)) / 10.0, np.nan)
    runs["model"], runs["count"] = model, counts
    run, number = several(counts)
    last = np.cumsum(counts) - 1

    cable = np.where(
        kind == RunKind.SELF_AMPLIFIED,
        pick(rng, {Cable.CATEGORY_24: 0.8, Cable.CATEGORY_23: 0.2}, len(kind)),
        np.where(kind == RunKind.CONSTANT_VOLTAGE, Cable.LINE_18, Cable.LINE_16),
    )
    length_basis = pick(
        rng, {Basis.MEASURED: 0.3, Basis.MARKED: 0.5, Basis.DRAWING: 0.17, Basis.GUESSED: 0.03}, len(kind)
    )
    current_basis = pick(rng, {Basis.MEASURED: 0.25, Basis.MARKED: 0.7, Basis.DRAWING: 0.05}, len(kind))
    near_run = of_model({m: lo for m, (lo, _) in _SPACING_M.items()}, model)
    far_run = of_model({m: hi for m, (_, hi) in _SPACING_M.items()}, model)
    length = rng.uniform(near_run[run], far_run[run])
    low = kind == RunKind.LOW_IMPEDANCE
    length[number == 0] = np.where(low, rng.uniform(4, 10, len(kind)), rng.uniform(15, 60, len(kind)))
    tap = np.where(model == Model.LINE_CEILING, 1.0, np.where(model == Model.LINE_HORN, 7.5, np.nan))
    tap = np.where((model == Model.LINE_CEILING) & (rng.random(len(kind)) < 0.15), 0.5, tap)
    tap = np.where(one_watt, 1.0, tap)

    # a chain, with a branch here and there: hung behind one of the points before the one before
    back = 1 + np.where(rng.random(len(run)) < 0.05, rng.integers(1, 4, len(run)), 0)
    parent = np.where(number == 0, NONE, np.arange(len(run)) - np.minimum(back, number))

    volts = np.where(kind == RunKind.CONSTANT_VOLTAGE, runs["line_voltage_v"], 24.0)
    amps = of_model(SPEECH_A, model)
    likely_a = np.where(np.isnan(tap), np.nan_to_num(amps), tap / volts)
    pairs, scale = _sized(batch, kind, fate, run, length, cable, length_basis, current_basis, likely_a, volts)
    pairs = np.where(unmeasured, 1, pairs)
    length = np.maximum((length * scale[run]).round(1), 0.5)
    site = runs["site"][run]
    rank = (number + 1).astype(np.float64)
    batch.add("point", {"change": site, "site": site, "run": run, "rank": rank, "name": number + 1})
    point = np.arange(len(run))
    device_kind = of_model(_DEVICE_KIND, model).astype(np.int64)
    batch.add(
        "point_facts",
        {"change": site, "at": site, "site": site, "run": run, "point": point,
         "rank": rank, "parent": parent, "kind": np.full(len(run), DEVICE), "device_kind": device_kind[run],
         "model": model[run], "count_low": np.full(len(run), NONE), "count_likely": np.full(len(run), NONE),
         "count_high": np.full(len(run), NONE), "length_m": length, "length_basis": length_basis[run],
         "cable": cable[run], "dc_pairs": pairs[run], "current_basis": current_basis[run],
         "tap_power_w": tap[run], "tap_basis": np.where(np.isnan(tap), Basis.UNKNOWN, Basis.MARKED)[run]},
    )  # fmt: skip
    per_m = 2.0 * resistance_ohm_per_m(_gauge(cable)) / pairs
    end_ohm = totals(run, length, len(kind)) * per_m
    drop = _drop(run, length, per_m[run], likely_a[run], len(kind))
    high_a = likely_a * _TABLES["current"][HIGH, current_basis]
    return Loads(
        high_current_a=np.where(kind == RunKind.SELF_AMPLIFIED, high_a * counts, 0.0),
        high_power_w=np.where(np.isnan(tap), 0.0, tap * counts * _TABLES["current"][HIGH, Basis.MARKED]),
        likely_current_a=likely_a * counts,
        end_resistance_ohm=end_ohm,
        end_voltage_v=np.where(last >= 0, SUPPLY_V - drop, SUPPLY_V),
    )


def _gauge(cable: Ints) -> Floats:
    return np.array([24.0, 23.0, 18.0, 16.0])[cable]


def _drop(run: Ints, length_m: Floats, ohm_per_m: Floats, amps: Floats, count: int) -> Floats:
    """(count,) voltage lost on the way to the end of each run, taken as an unbranched one."""
    total = np.cumsum(amps)
    ends = np.append(np.flatnonzero(np.diff(run)), len(run) - 1)
    of_run = np.zeros(count)
    of_run[run[ends]] = total[ends]
    behind = of_run[run] - total + amps
    return totals(run, length_m * ohm_per_m * behind, count)


def _sized(
    batch: Batch,
    kind: Ints,
    fate: Ints,
    run: Ints,
    length: Floats,
    cable: Ints,
    length_basis: Ints,
    current_basis: Ints,
    likely_a: Floats,
    volts: Floats,
) -> tuple[Ints, Floats]:
    """Paralleled pairs, and a factor on the lengths, that let the high estimate of a run keep its margin, or
    bring it near its limit where that is its fate."""
    temperature = batch.tables["site"]["temperature_c"][batch.tables["run"]["site"]].astype(np.float64)
    per_m = 2.0 * resistance_ohm_per_m(_gauge(cable), temperature)
    category = np.where(cable <= Cable.CATEGORY_23, CATEGORY_HIGH_RESISTANCE, 1.0)
    tapped = kind == RunKind.CONSTANT_VOLTAGE
    of_load = _TABLES["current"][HIGH, np.where(tapped, Basis.MARKED, current_basis)]
    ohm = per_m * category * _TABLES["length"][HIGH, length_basis]
    drop = _drop(run, length, ohm[run], (likely_a * of_load)[run], len(kind))
    spare = np.where(tapped, _LINE_SPARE * volts, _SPARE_V)
    pairs = np.where(kind == RunKind.SELF_AMPLIFIED, np.ceil(drop / spare).clip(1, 3), 1).astype(np.int64)
    with np.errstate(divide="ignore"):
        fits = np.minimum(spare * pairs / drop, 1.0)
        # no further than its pairs reach: on a short run one more horn would not be felt
        full = np.minimum(spare * pairs / drop, 4.0)
        near = _NEAR_DROP_V * pairs / drop
    amplified = kind == RunKind.SELF_AMPLIFIED
    steered = np.where(fate == Fate.NEAR, near, np.where(fate == Fate.PAST, full, fits))
    return pairs, np.where(amplified, steered, fits)
