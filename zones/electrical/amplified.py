"""Lines behind amplifiers: constant voltage (taps) and low impedance (loads in parallel).

Sum of taps against the amplifier's rating × loading fraction (0.8, common practice); impedance of the load
against the lowest that the amplifier may drive; loss at the farthest point, 20·log10(V/Vs): the change in the
power delivered to a tap, near at 1 dB and past at 3 dB (common practice).
"""

from __future__ import annotations

import numpy as np

from .figures import FigureBlock, Subjects, any_of, lookup, share, sums
from .lines import level_db, tap_impedance_ohm
from .plant import Members, Plant, RunKind
from .point_loads import PointLoads
from .resistive import judge_lowest
from .subjects import SubjectKind
from .wiring import Wiring, number_pairs, rows_of


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
        FigureBlock.of(
            "amplifier_load",
            subjects,
            bands=power,
            limit=rated * plant.factors.loading_fraction,
            supported=share(supported_power, power[1]),
            keep=tapped & some,
        ),
        FigureBlock.of("line_impedance", subjects, bands=impedance, limit=lowest, keep=some),
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
        FigureBlock.of(
            "line_loss",
            wiring.subjects(plant),
            bands=loss,
            limit=plant.factors.line_loss_db,
            detail=lookup(plant.point_id[plant.points.point_index[row]], result.node),
            supported=share(sums(wiring.run, supported, runs), sums(wiring.run, devices, runs)),
            keep=result.node >= 0,
        )
    )
    return blocks
