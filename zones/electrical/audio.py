"""Audio side of self-amplified runs: level at the inputs, speakers on an output, devices that hear another
zone.

Inputs bridge a balanced line: source impedance, cable and parallel inputs make a resistive tree. Judged
against the input's sensitivity where it and the output's level are known, else against −6 dB of the unloaded
source, near at −3 dB (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from .bands import FloatArray
from .figures import FigureBlock, sums
from .lines import level_db
from .plant import Members, Plant, RunKind
from .point_loads import PointLoads
from .resistive import judge_lowest
from .subjects import SubjectKind
from .wiring import Wiring, rows_of


def evaluate_audio(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> list[FigureBlock]:
    """Figures output_speakers, audio_level (by output) and other_zone (by run).

    An output is not judged for level where its own or any input's impedance is unknown.
    """
    kind = plant.run_kind[plant.runs.run_index[everything.run_row]]
    wiring = everything.only_runs(kind == RunKind.SELF_AMPLIFIED)
    return _other_zone(plant, everything, loads) + _outputs(plant, members, wiring, loads)


def _other_zone(plant: Plant, wiring: Wiring, loads: PointLoads) -> list[FigureBlock]:
    run_zone = plant.runs.zone_id[wiring.run_row][wiring.run]
    hangs_in = plant.points.zone_id[wiring.row]
    stray = loads.loaded[wiring.row] & (hangs_in >= 0) & (run_zone >= 0) & (hangs_in != run_zone)
    count = sums(wiring.run[stray], loads.count[:, wiring.row[stray]], len(wiring.run_row))
    first = np.full(len(wiring.run_row), -1)
    nodes = np.flatnonzero(stray)[::-1]
    first[wiring.run[nodes]] = plant.point_id[plant.points.point_index[wiring.row[nodes]]]
    has = first >= 0
    row = wiring.run_row[has]
    return [
        FigureBlock.of(
            "other_zone",
            SubjectKind.RUN,
            member=wiring.run_member[has],
            subject=plant.runs.run_index[row],
            group=plant.runs.group[row],
            bands=count[:, has],
            limit=0.0,
            detail=first[has],
        )
    ]


def _outputs(plant: Plant, members: Members, wiring: Wiring, loads: PointLoads) -> list[FigureBlock]:
    output = plant.runs.output_index[wiring.run_row]
    width = max(len(plant.output_id), 1)
    key = np.where(output >= 0, wiring.run_member * width + output, -1)
    keys = np.unique(key[key >= 0])
    count = len(keys)
    tree_of_run = np.where(key >= 0, np.searchsorted(keys, key), -1)
    driven = np.flatnonzero(tree_of_run[wiring.run] >= 0)
    tree = tree_of_run[wiring.run[driven]]
    number = np.full(len(wiring.row) + 1, -1)
    number[driven] = np.arange(len(driven))
    parent = number[wiring.parent[driven]]
    row = wiring.row[driven]

    facts_row = rows_of(plant, "outputs", "output_index", members, member=keys // width, thing=keys % width)

    def column(values: FloatArray) -> FloatArray:
        return np.append(values, np.nan)[facts_row]

    group = np.zeros(count, np.int64)
    group[tree] = plant.points.group[row]
    common = {"member": keys // width, "subject": keys % width, "group": group}
    limit = column(plant.outputs.speakers_max)
    speakers = sums(tree, loads.count[:, row], count)
    some = speakers[2] > 0
    blocks = [
        FigureBlock.of(
            "output_speakers",
            SubjectKind.OUTPUT,
            **{k: v[some] for k, v in common.items()},
            bands=speakers[:, some],
            limit=np.where(np.isnan(limit), plant.factors.speakers_per_output, limit)[some],
        )
    ]

    loaded = loads.loaded[row]
    impedance = loads.input_impedance_ohm[row]
    source = column(plant.outputs.impedance_ohm)
    blind = np.bincount(tree[loaded & np.isnan(impedance)], minlength=count) > 0
    judged_tree = ~blind & ~np.isnan(source) & some
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
    sensitivity = np.append(loads.input_sensitivity_v[row], np.nan)[result.node]
    level = column(plant.outputs.level_v)
    by_sensitivity = level_db(sensitivity, level)
    limit = np.where(np.isnan(by_sensitivity), -plant.factors.audio_loss_db, by_sensitivity)
    detail = np.append(plant.point_id[plant.points.point_index[row]], -1)[result.node]
    keep = judged_tree & (result.node >= 0)
    blocks.append(
        FigureBlock.of(
            "audio_level",
            SubjectKind.OUTPUT,
            **{k: v[keep] for k, v in common.items()},
            bands=level_db(result.voltage, 1.0)[:, keep],
            limit=limit[keep],
            detail=detail[keep],
        )
    )
    return blocks
