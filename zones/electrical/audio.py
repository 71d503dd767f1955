"""Audio of self-amplified runs: level at the inputs, speakers on an output, devices in another zone.

Inputs bridge a balanced line, so source impedance, cable and parallel inputs make a resistive tree. The level
is judged against the input's sensitivity where that and the output's level are known, else against −6 dB of
the unloaded source, near at −3 dB (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from .figures import FigureBlock, Subjects, any_of, first_known, lookup, sums
from .lines import level_db
from .plant import Members, Plant, RunKind
from .point_loads import PointLoads
from .resistive import judge_lowest
from .subjects import SubjectKind
from .wiring import Wiring, first_where_extreme, number_pairs, renumber, rows_of


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
    return FigureBlock.of(
        "other_zone",
        wiring.subjects(plant),
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
        FigureBlock.of(
            "output_speakers",
            subjects,
            bands=speakers,
            limit=first_known(speakers_max, plant.factors.speakers_per_output),
            keep=some,
        ),
        FigureBlock.of(
            "audio_level",
            subjects,
            bands=level_db(result.voltage, 1.0),
            limit=first_known(by_sensitivity, -plant.factors.audio_loss_db),
            detail=lookup(plant.point_id[plant.points.point_index[row]], result.node),
            keep=~unknown & some & (result.node >= 0),
        ),
    ]
