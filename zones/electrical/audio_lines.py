"""Lines that carry audio: outputs into the inputs of self-amplified speakers, and amplifiers into taps or
low-impedance loads. All are trees of resistive loads.

Inputs bridge a balanced line, so source impedance, cable and parallel inputs make a resistive tree. The level
is judged against the input's sensitivity where that and the output's level are known, else against −6 dB of
the unloaded source, near at −3 dB (common practice, no source).

Behind an amplifier: the sum of taps against its rating × loading fraction (0.8, common practice); the
impedance of the load against the lowest that it may drive; loss at the farthest point, 20·log10(V/Vs): the
change in the power delivered to a tap, near at 1 dB and past at 3 dB (common practice).

A shunting load can hide a long segment, so no corner of all values is the harshest for every point. The
judged point is the lowest in the likely solution. The high estimate takes long segments on its path, short
ones elsewhere and high loads; the low estimate takes the reverse.

Sources: audio handbooks (constant-voltage practice, impedance bridging), from memory where a test says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .figures import FigureBlock, Subjects, any_of, first_known, lookup, share, sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, RunKind
from .point_loads import PointLoads
from .radial import solve
from .subjects import SubjectKind
from .wiring import Wiring, ancestor_closure, first_where_extreme, number_pairs, renumber, rows_of

DBU_REFERENCE_V = float(np.sqrt(0.6))
"""0 dBu: the voltage that puts 1 mW into 600 Ω, √0.6 V (audio handbooks)."""


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
class Judged:
    """node: (t,) judged node of each tree, −1 where it has no device; voltage: (3, t) its voltage as a
    fraction of the source's unloaded voltage, NaN without a judged node."""

    node: IntArray
    voltage: FloatArray


def judge_lowest(
    parent: IntArray,
    tree: IntArray,
    tree_count: int,
    *,
    source_resistance_ohm: FloatArray,
    segment_ohm: FloatArray,
    conductance_s: FloatArray,
    loaded: BoolArray,
) -> Judged:
    """The lowest loaded point of each of t trees, solved at 1 V.

    parent, tree: (n,), parent −1 at the source; tree_count: t; source_resistance_ohm: (t,); segment_ohm,
    conductance_s: (3, n); loaded: (n,) True where a device is.
    """
    forest = Forest.build(parent, tree, tree_count)

    def voltages(of: Forest, repeat: int, ohm: FloatArray, siemens: FloatArray) -> FloatArray:
        nothing = np.zeros(ohm.size)
        return solve(
            of,
            source_voltage_v=np.ones(tree_count * repeat),
            source_resistance_ohm=np.tile(source_resistance_ohm, repeat),
            segment_resistance_ohm=ohm.ravel(),
            current_a=nothing,
            power_w=nothing,
            conductance_s=siemens.ravel(),
        ).voltage_v.reshape(ohm.shape)

    likely = voltages(forest, 1, segment_ohm[LIKELY], conductance_s[LIKELY])
    node = first_where_extreme(tree, np.where(loaded, likely, np.nan), tree_count, largest=False)
    on_path = ancestor_closure(parent, node)
    corner_ohm = np.stack(
        [
            np.where(on_path, segment_ohm[LOW], segment_ohm[HIGH]),
            np.where(on_path, segment_ohm[HIGH], segment_ohm[LOW]),
        ]
    )
    corner_load = np.stack([conductance_s[LOW], conductance_s[HIGH]])
    low, high = voltages(forest.times(2), 2, corner_ohm, corner_load)
    return Judged(node, np.stack([lookup(voltage, node) for voltage in (low, likely, high)]))


def evaluate_audio(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures output_speakers, audio_level (by output) and other_zone (by run).

    An output has no audio_level where its own impedance or that of any input is unknown.
    """
    kind = plant.run_kind[plant.runs.run_index[everything.run_row]]
    wiring = everything.only_runs(kind == RunKind.SELF_AMPLIFIED)
    return [_other_zone(plant, everything, loads), *_outputs(plant, members, wiring, loads)]


def _other_zone(plant: Plant, wiring: Wiring, loads: PointLoads) -> FigureBlock:
    run_zone = plant.runs.zone_id[wiring.run_row][wiring.run]
    own_zone = plant.points.zone_id[wiring.row]
    elsewhere = loads.loaded[wiring.row] & (own_zone >= 0) & (run_zone >= 0) & (own_zone != run_zone)
    runs = len(wiring.run_row)
    first = first_where_extreme(wiring.run, np.where(elsewhere, 1.0, np.nan), runs, largest=True)
    return wiring.subjects(plant).figures(
        "other_zone",
        bands=sums(wiring.run[elsewhere], loads.count[:, wiring.row[elsewhere]], runs),
        limit=0.0,
        detail=lookup(plant.point_id[plant.points.point_index[wiring.row]], first),
        keep=first >= 0,
    )


def _outputs(plant: Plant, members: Members, wiring: Wiring, loads: PointLoads) -> list[FigureBlock]:
    member, output, of_run = number_pairs(wiring.run_member, plant.runs.output_index[wiring.run_row])
    count = len(member)
    driven = np.flatnonzero(of_run[wiring.run] >= 0)
    tree = of_run[wiring.run[driven]]
    parent = renumber(driven, len(wiring.row))[wiring.parent[driven]]
    row = wiring.row[driven]

    output_row = rows_of(plant, "outputs", "output_index", members, member=member, thing=output)
    source = lookup(plant.outputs.impedance_ohm, output_row)
    speakers_max = lookup(plant.outputs.speakers_max, output_row)
    group = np.zeros(count, np.int64)
    group[tree] = plant.points.group[row]
    speakers = sums(tree, loads.count[:, row], count)
    some = speakers[2] > 0

    loaded = loads.loaded[row]
    impedance = loads.input_impedance_ohm[row]
    unknown = any_of(tree, loaded & np.isnan(impedance), count) | np.isnan(source)
    conductance = np.where(loaded, loads.count[:, row] / np.where(loaded, impedance, 1.0), 0.0)
    result = judge_lowest(
        parent,
        tree,
        count,
        source_resistance_ohm=np.where(np.isnan(source), 0.0, source),
        segment_ohm=loads.pair_resistance_ohm[:, row],
        conductance_s=np.where(np.isnan(conductance), 0.0, conductance),
        loaded=loaded,
    )
    sensitivity = lookup(loads.input_sensitivity_v[row], result.node)
    by_sensitivity = level_db(sensitivity, lookup(plant.outputs.level_v, output_row))
    subjects = Subjects(SubjectKind.OUTPUT, member, output, group)
    return [
        subjects.figures(
            "output_speakers",
            bands=speakers,
            limit=first_known(speakers_max, plant.factors.speakers_per_output),
            keep=some,
        ),
        subjects.figures(
            "audio_level",
            bands=level_db(result.voltage, 1.0),
            limit=first_known(by_sensitivity, -plant.factors.audio_loss_db),
            detail=lookup(plant.point_id[plant.points.point_index[row]], result.node),
            keep=~unknown & some & (result.node >= 0),
        ),
    ]


def evaluate_lines(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures amplifier_load, line_impedance (by amplifier) and line_loss (by run).

    The impedance is that of the loads alone. Cable only adds to it, so this figure is the harsher one.
    """
    kind = plant.run_kind[plant.runs.run_index[everything.run_row]]
    wiring = everything.only_runs(kind != RunKind.SELF_AMPLIFIED)
    runs, row = len(wiring.run_row), wiring.row
    constant_voltage = plant.run_kind[plant.runs.run_index[wiring.run_row]] == RunKind.CONSTANT_VOLTAGE
    member, amplifier, of_run = number_pairs(wiring.run_member, plant.runs.amplifier_index[wiring.run_row])
    count = len(member)
    amplifier_row = rows_of(plant, "amplifiers", "amplifier_index", members, member=member, thing=amplifier)
    line_voltage = lookup(plant.amplifiers.line_voltage_v, amplifier_row)
    rated = lookup(plant.amplifiers.rated_power_w, amplifier_row)
    run_voltage = lookup(line_voltage, of_run)

    loaded = loads.loaded[row]
    on_taps = constant_voltage[wiring.run]
    tap = loads.tap_w[:, row]
    with np.errstate(invalid="ignore", divide="ignore"):
        tap_s = tap / run_voltage[wiring.run] ** 2
    speaker_s = loads.count[:, row] * loads.speaker_conductance_s[row]
    conductance = np.where(loaded, np.where(on_taps, tap_s, speaker_s), 0.0)
    driven = np.flatnonzero(of_run[wiring.run] >= 0)
    owner = of_run[wiring.run[driven]]
    fed = of_run >= 0
    group = np.zeros(count, np.int64)
    group[of_run[fed]] = plant.runs.group[wiring.run_row[fed]]
    subjects = Subjects(SubjectKind.AMPLIFIER, member, amplifier, group)

    tapped = any_of(of_run, constant_voltage & fed, count)
    power = sums(owner, tap[:, driven], count)
    supported_power = sums(owner, np.where(loads.supported[row], tap[1], 0.0)[driven], count)
    some = sums(owner, loads.count[2, row][driven], count) > 0
    # NaN conductance anywhere makes the sum NaN: cannot tell
    total_s = sums(owner, conductance[:, driven], count)
    lowest = lookup(plant.amplifiers.minimum_impedance_ohm, amplifier_row)
    with np.errstate(divide="ignore", invalid="ignore"):
        impedance = 1.0 / total_s
        lowest = np.where(tapped & np.isnan(lowest), tap_impedance_ohm(line_voltage, rated), lowest)
    blocks = [
        subjects.figures(
            "amplifier_load",
            bands=power,
            limit=rated * plant.factors.loading_fraction,
            supported=share(supported_power, power[1]),
            keep=tapped & some,
        ),
        subjects.figures("line_impedance", bands=impedance, limit=lowest, keep=some),
    ]

    conductance_unknown = any_of(wiring.run, loaded & np.isnan(conductance[1]), runs)
    result = judge_lowest(
        wiring.parent,
        wiring.run,
        runs,
        source_resistance_ohm=np.zeros(runs),
        segment_ohm=loads.loop_resistance_ohm[:, row],
        conductance_s=np.where(np.isnan(conductance), 0.0, conductance),
        loaded=loaded,
    )
    # −0.0 for a line without loss would read as a gain
    loss = np.where(conductance_unknown, np.nan, np.abs(level_db(result.voltage, 1.0)))
    devices = np.where(loaded, loads.count[1, row], 0.0)
    supported = np.where(loads.supported[row], loads.count[1, row], 0.0)
    blocks.append(
        wiring.subjects(plant).figures(
            "line_loss",
            bands=loss,
            limit=plant.factors.line_loss_db,
            detail=lookup(plant.point_id[plant.points.point_index[row]], result.node),
            supported=share(sums(wiring.run, supported, runs), sums(wiring.run, devices, runs)),
            keep=result.node >= 0,
        )
    )
    return blocks
