"""Lines that carry audio: outputs into the inputs of self-amplified speakers, and amplifiers into taps or
low-impedance loads. All are trees of resistive loads.

Inputs bridge a balanced line, so source impedance, cable and parallel inputs make a resistive tree. Each
input is judged against its own limit: its sensitivity where that and the output's level are known, else −6 dB
of the unloaded source, near at −3 dB (common practice, no source).

Behind an amplifier: the sum of taps against its rating × loading fraction (0.8, common practice); the
impedance of the load against the lowest that it may drive; loss at the farthest point, 20·log10(V/Vs): the
change in the power delivered to a tap, near at 1 dB and past at 3 dB (common practice).

Every device is judged in corners of its own (``resistive``), and each estimate takes the device that is worst
in it: the likely estimate's need not be the high one's.

A device whose impedance is not recorded is assumed to draw nothing. That is a bound: anything it draws makes
the others' level and the load's impedance lower, so such a figure is never better than "cannot tell". Where
no impedance is recorded, or the source's is not, there is no number.

Sources: audio handbooks (constant-voltage practice, impedance bridging), from memory where a test says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from .bands import HIGH, LIKELY, FloatArray, IntArray
from .figures import FigureBlock, Subjects, any_of, extremes, first_known, lookup, lookup_each, share, sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, RunKind
from .point_loads import PointLoads
from .resistive import voltages_in_own_corners
from .subjects import SubjectKind
from .wiring import Wiring, first_where_extreme, renumber, rows_of, worst_by_estimate
from .wiring_class import wiring_class


def tap_impedance_ohm(line_voltage_v: ArrayLike, power_w: ArrayLike) -> FloatArray:
    """Z = V²/P of a tap, or of a whole line from the sum of its taps.

    line_voltage_v, power_w: any shapes that broadcast [V], [W].

    >>> tap_impedance_ohm(70.7, [1.0, 100.0]).round(2).tolist()
    [4998.49, 49.98]
    """
    return np.asarray(np.asarray(line_voltage_v, float) ** 2 / np.asarray(power_w, float))


def level_db(voltage_v: ArrayLike, reference_v: ArrayLike) -> FloatArray:
    """20·log10(V/Vref): the level of a voltage, and so the change in power delivered to a fixed load.

    voltage_v, reference_v: any shapes that broadcast [V].
    It is not efficiency (10·log10 of the power in the load over the power from the source).

    >>> round(float(level_db(10_000 / 10_600, 1.0)), 3)
    -0.506
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20.0 * np.log10(np.asarray(voltage_v, float) / np.asarray(reference_v, float)))


@dataclass(frozen=True)
class Worst:
    """The worst device of t trees, by estimate. node: (3, t) which, −1 where no voltage is known; level: (3,
    t) its voltage relative to the unloaded source [dB]; bound: (t,) the impedance of some device is not
    known, so levels may be lower."""

    node: IntArray
    level: FloatArray
    bound: BoolArray


def worst_devices(
    parent: IntArray,
    tree: IntArray,
    tree_count: int,
    *,
    source_ohm: FloatArray,
    segment_ohm: FloatArray,
    conductance_s: FloatArray,
    loaded: BoolArray,
    share_place: IntArray,
    limit_db: FloatArray | float,
) -> Worst:
    """The device of each tree whose level is least above its own limit, in each estimate.

    parent, tree: (n,), parent −1 at the source; tree_count: t; source_ohm: (t,), NaN not known; segment_ohm,
    conductance_s: (3, n), NaN conductance not known; loaded: (n,) True where a device is; share_place: (n,)
    of the segments; limit_db: (n,) of each device, or one for all.
    """
    known = ~np.isnan(conductance_s[LIKELY])
    voltage = voltages_in_own_corners(
        Forest.build(parent, tree, tree_count),
        source_ohm=source_ohm,
        segment_ohm=segment_ohm,
        conductance_s=np.where(known, conductance_s, 0.0),
        share_place=share_place,
    )
    judged = loaded & any_of(tree, loaded & known, tree_count)[tree]
    level = np.where(judged, level_db(voltage, 1.0), np.nan)
    node = worst_by_estimate(tree, level - limit_db, tree_count, largest=False)
    return Worst(node, lookup_each(level, node), any_of(tree, loaded & ~known, tree_count))


AUDIO_CODES: Final = frozenset({"output_speakers", "audio_level", "other_zone"})
LINE_CODES: Final = frozenset({"wiring_class", "amplifier_load", "line_impedance", "line_loss"})
"""Figures that ``evaluate_audio`` and ``evaluate_lines`` make. Each family has such a set: where none of it
is asked for, the family need not run."""


@dataclass(frozen=True)
class AudioNetwork:
    """The audio trees of self-amplified runs, one an output: n nodes behind t outputs.

    subjects: the outputs; output_row: (t,) in ``plant.outputs``. row, tree, parent: (n,) point row, output
    and parent of each node, −1 at the output. source_ohm: (t,), NaN not known; segment_ohm, conductance_s:
    (3, n), NaN conductance not known; loaded: (n,) True where a device is; share_place: (n,).
    """

    subjects: Subjects
    output_row: IntArray
    row: IntArray
    tree: IntArray
    parent: IntArray
    source_ohm: FloatArray
    segment_ohm: FloatArray
    conductance_s: FloatArray
    loaded: BoolArray
    share_place: IntArray


def audio_network(plant: Plant, members: Members, everything: Wiring, loads: PointLoads) -> AudioNetwork:
    """The audio trees of each member, as of its step."""
    wiring = everything.only_runs(everything.run_kind == RunKind.SELF_AMPLIFIED)
    subjects, of_run = Subjects.distinct(
        SubjectKind.OUTPUT, wiring.runs.member, plant.runs.output_index[wiring.run_row], wiring.runs.group
    )
    driven = np.flatnonzero(of_run[wiring.run] >= 0)
    row = wiring.row[driven]
    loaded = loads.loaded[row]
    output_row = rows_of(plant, members, subjects)
    return AudioNetwork(
        subjects=subjects,
        output_row=output_row,
        row=row,
        tree=of_run[wiring.run[driven]],
        parent=renumber(driven, len(wiring.row))[wiring.parent[driven]],
        source_ohm=lookup(plant.outputs.impedance_ohm, output_row),
        segment_ohm=loads.pair_resistance_ohm[:, row],
        conductance_s=np.where(loaded, loads.count[:, row] / loads.input_impedance_ohm[row], 0.0),
        loaded=loaded,
        share_place=loads.share_place[row],
    )


def evaluate_audio(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures output_speakers, audio_level (by output) and other_zone (by run)."""
    network = audio_network(plant, members, everything, loads)
    subjects, tree, row, loaded = network.subjects, network.tree, network.row, network.loaded
    count, output_row = len(subjects.member), network.output_row
    speakers = sums(tree, loads.count[:, row], count)
    some = speakers[HIGH] > 0

    by_sensitivity = level_db(loads.input_sensitivity_v[row], lookup(plant.outputs.level_v, output_row)[tree])
    limit = first_known(by_sensitivity, -plant.factors.audio_loss_db)
    worst = worst_devices(
        network.parent,
        tree,
        count,
        source_ohm=network.source_ohm,
        segment_ohm=network.segment_ohm,
        conductance_s=network.conductance_s,
        loaded=loaded,
        share_place=network.share_place,
        limit_db=limit,
    )
    # without a level, the limit that is hardest to stay within
    (strictest,) = extremes(tree, np.where(loaded, limit, np.nan)[None], count, largest=True)
    return [
        _other_zone(plant, everything, loads),
        subjects.figures(
            "output_speakers",
            bands=speakers,
            limit=first_known(
                lookup(plant.outputs.speakers_max, output_row), plant.factors.speakers_per_output
            ),
            keep=some,
        ),
        subjects.figures(
            "audio_level",
            bands=worst.level,
            limit=first_known(lookup(limit, worst.node), np.broadcast_to(strictest, (3, count))),
            detail=lookup(plant.point_id[plant.points.point_index[row]], worst.node),
            bound=worst.bound,
            keep=some,
        ),
    ]


def _other_zone(plant: Plant, wiring: Wiring, loads: PointLoads) -> FigureBlock:
    run_zone = plant.runs.zone_id[wiring.run_row][wiring.run]
    own_zone = plant.points.zone_id[wiring.row]
    elsewhere = loads.loaded[wiring.row] & (own_zone >= 0) & (run_zone >= 0) & (own_zone != run_zone)
    runs = len(wiring.run_row)
    first = first_where_extreme(wiring.run, np.where(elsewhere, 1.0, np.nan), runs, largest=True)
    return wiring.runs.figures(
        "other_zone",
        bands=sums(wiring.run[elsewhere], loads.count[:, wiring.row[elsewhere]], runs),
        limit=0.0,
        detail=lookup(plant.point_id[plant.points.point_index[wiring.row]], first),
        keep=first >= 0,
    )


def line_conductance_s(wiring: Wiring, loads: PointLoads, line_voltage_v: FloatArray) -> FloatArray:
    """(3, n) conductance of what is at each node of constant-voltage and low-impedance lines [S], P / V² of a
    tap; NaN not known. line_voltage_v: (k,) of each run of ``wiring``."""
    row = wiring.row
    with np.errstate(invalid="ignore", divide="ignore"):
        tap_s = loads.tap_w[:, row] / line_voltage_v[wiring.run] ** 2
    speaker_s = loads.count[:, row] * loads.speaker_conductance_s[row]
    on_taps = (wiring.run_kind == RunKind.CONSTANT_VOLTAGE)[wiring.run]
    return np.where(loads.loaded[row], np.where(on_taps, tap_s, speaker_s), 0.0)


def evaluate_lines(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures amplifier_load, line_impedance, wiring_class (by amplifier) and line_loss (by run).

    The impedance is that of the loads alone. Cable only adds to it, so this figure is the harsher one.
    """
    wiring = everything.only_runs(everything.run_kind != RunKind.SELF_AMPLIFIED)
    runs, row = len(wiring.run_row), wiring.row
    constant_voltage = wiring.run_kind == RunKind.CONSTANT_VOLTAGE
    subjects, of_run = Subjects.distinct(
        SubjectKind.AMPLIFIER,
        wiring.runs.member,
        plant.runs.amplifier_index[wiring.run_row],
        wiring.runs.group,
    )
    count = len(subjects.member)
    amplifier_row = rows_of(plant, members, subjects)
    line_voltage = lookup(plant.amplifiers.line_voltage_v, amplifier_row)
    rated = lookup(plant.amplifiers.rated_power_w, amplifier_row)

    loaded = loads.loaded[row]
    tap = loads.tap_w[:, row]
    conductance = line_conductance_s(wiring, loads, lookup(line_voltage, of_run))
    driven = np.flatnonzero(of_run[wiring.run] >= 0)
    owner = of_run[wiring.run[driven]]
    fed = of_run >= 0

    tapped = any_of(of_run, constant_voltage & fed, count)
    power = sums(owner, tap[:, driven], count)
    supported_power = sums(owner, np.where(loads.supported[row], tap[1], 0.0)[driven], count)
    some = sums(owner, loads.count[HIGH, row][driven], count) > 0
    known = ~np.isnan(conductance[LIKELY])
    unknown = any_of(owner, (loaded & ~known)[driven], count)
    total_s = sums(owner, np.where(known, conductance, 0.0)[:, driven], count)
    lowest = lookup(plant.amplifiers.minimum_impedance_ohm, amplifier_row)
    with np.errstate(divide="ignore", invalid="ignore"):
        impedance = np.where(unknown & (total_s == 0), np.nan, 1.0 / total_s)
        lowest = np.where(tapped & np.isnan(lowest), tap_impedance_ohm(line_voltage, rated), lowest)
    worst = worst_devices(
        wiring.parent,
        wiring.run,
        runs,
        source_ohm=np.zeros(runs),
        segment_ohm=loads.loop_resistance_ohm[:, row],
        conductance_s=conductance,
        loaded=loaded,
        share_place=loads.share_place[row],
        limit_db=0.0,
    )
    devices = np.where(loaded, loads.count[1, row], 0.0)
    supported = np.where(loads.supported[row], loads.count[1, row], 0.0)
    return [
        subjects.figures(
            "amplifier_load",
            bands=power,
            limit=rated * plant.factors.loading_fraction,
            supported=share(supported_power, power[1]),
            keep=tapped & some,
        ),
        wiring_class(
            plant,
            members,
            subjects,
            lookup(plant.amplifiers.output_class, amplifier_row),
            source=owner,
            run=wiring.run[driven],
            row=row[driven],
        ),
        subjects.figures("line_impedance", bands=impedance, limit=lowest, bound=unknown, keep=some),
        wiring.runs.figures(
            "line_loss",
            # −0.0 for a line without loss would read as a gain
            bands=np.abs(worst.level),
            limit=plant.factors.line_loss_db,
            detail=lookup(plant.point_id[plant.points.point_index[row]], worst.node),
            bound=worst.bound,
            supported=share(sums(wiring.run, supported, runs), sums(wiring.run, devices, runs)),
            keep=any_of(wiring.run, loaded, runs),
        ),
    ]
