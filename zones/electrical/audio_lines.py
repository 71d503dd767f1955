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

import numpy as np
from numpy.typing import ArrayLike

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .figures import FigureBlock, Subjects, any_of, first_known, lookup, share, sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, RunKind
from .point_loads import PointLoads
from .radial import solve
from .shared_lengths import with_shares
from .subjects import SubjectKind
from .wiring import Wiring, ancestor_closure, first_where_extreme, renumber, rows_of
from .wiring_class import wiring_class

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


def judge_lowest(
    parent: IntArray,
    tree: IntArray,
    tree_count: int,
    *,
    source_resistance_ohm: FloatArray | float,
    segment_ohm: FloatArray,
    conductance_s: FloatArray,
    loaded: BoolArray,
    share_place: IntArray,
) -> tuple[IntArray, FloatArray]:
    """The lowest loaded point of each of t trees, solved at 1 V.

    parent, tree: (n,), parent −1 at the source; tree_count: t; source_resistance_ohm: (t,) or one for all;
    segment_ohm, conductance_s: (3, n), NaN of them taken as none; loaded: (n,) True where a device is.
    share_place: (n,) of the segments.

    Returns (t,) the judged node of each tree, −1 where it has no device, and (3, t) its voltage as a fraction
    of the source's unloaded voltage, NaN without a judged node.
    """
    forest = Forest.build(parent, tree, tree_count)
    load = np.where(np.isnan(conductance_s), 0.0, conductance_s)

    def voltages(of: Forest, ohm: FloatArray, siemens: FloatArray) -> FloatArray:
        source = np.broadcast_to(source_resistance_ohm, (len(ohm), tree_count))
        return solve(
            of,
            source_voltage_v=1.0,
            source_resistance_ohm=source.ravel(),
            segment_resistance_ohm=ohm.ravel(),
            current_a=0.0,
            power_w=0.0,
            conductance_s=siemens.ravel(),
        ).voltage_v.reshape(ohm.shape)

    (likely,) = voltages(forest, segment_ohm[[LIKELY]], load[[LIKELY]])
    node = first_where_extreme(tree, np.where(loaded, likely, np.nan), tree_count, largest=False)
    on_path = with_shares(ancestor_closure(parent, node), parent, share_place)
    # long on the path and short elsewhere, or the reverse
    corners = np.where(on_path, segment_ohm[[LOW, HIGH]], segment_ohm[[HIGH, LOW]])
    low, high = voltages(forest.times(2), corners, load[[LOW, HIGH]])
    return node, np.stack([lookup(low, node), lookup(likely, node), lookup(high, node)])


def evaluate_audio(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures output_speakers, audio_level (by output) and other_zone (by run).

    An output has no audio_level where its own impedance or that of any input is unknown.
    """
    wiring = everything.only_runs(everything.run_kind == RunKind.SELF_AMPLIFIED)
    subjects, of_run = Subjects.distinct(
        SubjectKind.OUTPUT, wiring.runs.member, plant.runs.output_index[wiring.run_row], wiring.runs.group
    )
    count = len(subjects.member)
    driven = np.flatnonzero(of_run[wiring.run] >= 0)
    tree = of_run[wiring.run[driven]]
    parent = renumber(driven, len(wiring.row))[wiring.parent[driven]]
    row = wiring.row[driven]

    output_row = rows_of(plant, members, subjects)
    source = lookup(plant.outputs.impedance_ohm, output_row)
    speakers = sums(tree, loads.count[:, row], count)
    some = speakers[2] > 0

    loaded = loads.loaded[row]
    impedance = loads.input_impedance_ohm[row]
    unknown = any_of(tree, loaded & np.isnan(impedance), count) | np.isnan(source)
    conductance = np.where(loaded, loads.count[:, row] / np.where(loaded, impedance, 1.0), 0.0)
    node, voltage = judge_lowest(
        parent,
        tree,
        count,
        source_resistance_ohm=np.where(np.isnan(source), 0.0, source),
        segment_ohm=loads.pair_resistance_ohm[:, row],
        conductance_s=conductance,
        loaded=loaded,
        share_place=loads.share_place[row],
    )
    sensitivity = lookup(loads.input_sensitivity_v[row], node)
    by_sensitivity = level_db(sensitivity, lookup(plant.outputs.level_v, output_row))
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
            bands=level_db(voltage, 1.0),
            limit=first_known(by_sensitivity, -plant.factors.audio_loss_db),
            detail=lookup(plant.point_id[plant.points.point_index[row]], node),
            keep=~unknown & some & (node >= 0),
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
    conductance_unknown = any_of(wiring.run, loaded & np.isnan(conductance[1]), runs)
    node, voltage = judge_lowest(
        wiring.parent,
        wiring.run,
        runs,
        source_resistance_ohm=0.0,
        segment_ohm=loads.loop_resistance_ohm[:, row],
        conductance_s=conductance,
        loaded=loaded,
        share_place=loads.share_place[row],
    )
    # −0.0 for a line without loss would read as a gain
    loss = np.where(conductance_unknown, np.nan, np.abs(level_db(voltage, 1.0)))
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
        subjects.figures("line_impedance", bands=impedance, limit=lowest, keep=some),
        wiring.runs.figures(
            "line_loss",
            bands=loss,
            limit=plant.factors.line_loss_db,
            detail=lookup(plant.point_id[plant.points.point_index[row]], node),
            supported=share(sums(wiring.run, supported, runs), sums(wiring.run, devices, runs)),
            keep=node >= 0,
        ),
    ]
