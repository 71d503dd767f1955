"""Lines behind amplifiers: constant voltage (taps) and low impedance (loads in parallel).

Sum of taps against the amplifier's rating × loading fraction (0.8, common practice); impedance of the load
against the lowest the amplifier may drive; loss at the farthest point, 20·log10(V/Vs): the change in the
power delivered to a tap, near at 1 dB and over at 3 dB (common practice).
"""

from __future__ import annotations

import numpy as np

from .bands import FloatArray
from .figures import FigureBlock, share, sums
from .lines import level_db
from .plant import Members, Plant, RunKind
from .point_loads import PointLoads
from .resistive import judge_lowest
from .subjects import SubjectKind
from .wiring import Wiring, rows_of


def evaluate_lines(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures amplifier_load, line_impedance (by amplifier) and line_loss (by run).

    The impedance is that of the loads alone: cable only adds to it, so the figure is the harsher one.
    """
    kind = plant.run_kind[plant.runs.run_index[everything.run_row]]
    wiring = everything.only_runs(kind != RunKind.SELF_AMPLIFIED)
    runs, row = len(wiring.run_row), wiring.row
    kind = plant.run_kind[plant.runs.run_index[wiring.run_row]]
    constant_voltage = kind == RunKind.CONSTANT_VOLTAGE
    amplifier = plant.runs.amplifier_index[wiring.run_row]
    width = max(len(plant.amplifier_id), 1)
    key = np.where(amplifier >= 0, wiring.run_member * width + amplifier, -1)
    keys = np.unique(key[key >= 0])
    count = len(keys)
    facts_row = rows_of(
        plant, "amplifiers", "amplifier_index", members, member=keys // width, thing=keys % width
    )

    def column(values: FloatArray) -> FloatArray:
        return np.append(values, np.nan)[facts_row]

    line_voltage, rated = column(plant.amplifiers.line_voltage_v), column(plant.amplifiers.rated_power_w)
    of_run = np.where(key >= 0, np.searchsorted(keys, key), count)
    run_voltage = np.append(line_voltage, np.nan)[of_run]

    loaded = loads.loaded[row]
    on_taps = constant_voltage[wiring.run]
    tap = loads.tap_w[:, row]
    with np.errstate(invalid="ignore", divide="ignore"):
        tap_s = tap / run_voltage[wiring.run] ** 2
    speaker_s = loads.count[:, row] * loads.speaker_conductance_s[row]
    conductance = np.where(loaded, np.where(on_taps, tap_s, speaker_s), 0.0)
    node_amplifier = of_run[wiring.run]
    driven = node_amplifier < count
    group = np.zeros(count, np.int64)
    group[of_run[key >= 0]] = plant.runs.group[wiring.run_row[key >= 0]]
    common = {"member": keys // width, "subject": keys % width, "group": group}

    tapped = np.bincount(of_run[constant_voltage], minlength=count + 1)[:count] > 0
    power = sums(node_amplifier[driven], tap[:, driven], count)
    resting = share(
        sums(node_amplifier[driven], np.where(loads.supported[row], tap[1], 0.0)[driven], count), power[1]
    )
    some = sums(node_amplifier[driven], loads.count[2, row][driven], count) > 0
    loaded_taps = tapped & some
    blocks = [
        FigureBlock.of(
            "amplifier_load",
            SubjectKind.AMPLIFIER,
            **{k: v[loaded_taps] for k, v in common.items()},
            bands=power[:, loaded_taps],
            limit=(rated * plant.factors.loading_fraction)[loaded_taps],
            supported=resting[loaded_taps],
        )
    ]
    # NaN conductance anywhere makes the sum NaN: cannot tell
    total_s = sums(node_amplifier[driven], conductance[:, driven], count)
    with np.errstate(divide="ignore", invalid="ignore"):
        impedance = 1.0 / total_s
        lowest = column(plant.amplifiers.minimum_impedance_ohm)
        lowest = np.where(tapped & np.isnan(lowest), line_voltage**2 / rated, lowest)
    blocks.append(
        FigureBlock.of(
            "line_impedance",
            SubjectKind.AMPLIFIER,
            **{k: v[some] for k, v in common.items()},
            bands=impedance[:, some],
            limit=lowest[some],
        )
    )

    blind = np.bincount(wiring.run[loaded & np.isnan(conductance[1])], minlength=runs) > 0
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
    loss = np.where(blind, np.nan, np.abs(level_db(result.voltage, 1.0)))
    keep = result.node >= 0
    detail = np.append(plant.point_id[plant.points.point_index[row]], -1)[result.node]
    resting = share(
        sums(wiring.run, np.where(loads.supported[row], loads.count[1, row], 0.0), runs),
        sums(wiring.run, np.where(loaded, loads.count[1, row], 0.0), runs),
    )
    blocks.append(
        FigureBlock.of(
            "line_loss",
            SubjectKind.RUN,
            member=wiring.run_member[keep],
            subject=plant.runs.run_index[wiring.run_row[keep]],
            group=plant.runs.group[wiring.run_row[keep]],
            bands=loss[:, keep],
            limit=plant.factors.line_loss_db,
            detail=detail[keep],
            supported=resting[keep],
        )
    )
    return blocks
