"""Worked calculations of the audio side of self-amplified runs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from zones.electrical.bands import LIKELY
from zones.electrical.estimates import WORDS
from zones.electrical.plant import BoolArray
from zones.loads.site_loads import Load

from .registry import explains
from .scene import DRAWS_NOTHING, OWN_CORNERS, Scene
from .worked import Amount, Step, Table, Worked, bands_of, columns, estimates, number


@explains("output_speakers")
def output_speakers(scene: Scene, load: Load) -> Worked:
    wiring, of_output = scene.wiring, _on_output(scene, load)
    rows = []
    for run in np.unique(wiring.run[of_output]):
        row = wiring.row[of_output & (wiring.run == run)]
        rows.append([scene.run_name_of(int(row[0])), *scene.loads.count[:, row].sum(axis=1)])
    count = scene.loads.count[:, wiring.row[of_output]].sum(axis=1)
    return Worked(
        formula="n = Σ of the speakers on all runs of the output.",
        assumptions=("An uncounted group has a range of its own.",),
        inputs=(_speakers_allowed(scene, load),),
        tables=(Table.of("Speakers by run", columns("run", *estimates()), rows),),
        steps=(Step.of("Together", "speakers", "", count),),
    )


@explains("audio_level")
def audio_level(scene: Scene, load: Load) -> Worked:
    wiring, of_output = scene.wiring, _on_output(scene, load)
    source, sent = scene.fact(load.subject, "impedance_ohm"), scene.fact(load.subject, "level_v")
    row, bands = wiring.row[of_output & scene.loads.loaded[wiring.row]], bands_of(load)
    conductance = scene.loads.count[:, row] / scene.loads.input_impedance_ohm[row]
    with np.errstate(divide="ignore"):
        parallel = 1.0 / conductance.sum(axis=1)
    assumptions = ["Inputs bridge the line.", OWN_CORNERS]
    if load.estimates.likely.bound:
        assumptions.append(DRAWS_NOTHING)
    return Worked(
        formula="L = 20·log10(V / V₀), V₀ the unloaded output: source impedance, cable and all inputs in "
        "parallel are one resistive network. Each input against its own limit; the figure is that of the "
        "input with the least to spare.",
        assumptions=tuple(assumptions),
        inputs=(
            Amount.rated("source impedance of the output", "Ω", source),
            Amount.of("all inputs in parallel, without cable", "Ω", parallel, "data sheets of their models"),
            Amount.rated("level of the output", "V", sent),
        ),
        tables=scene.path_tables(
            "Cable to the speaker with the least to spare",
            load,
            of_output,
            "resistance of the pair",
            scene.loads.pair_resistance_ohm,
        ),
        steps=(
            Step.of(
                "V / V₀ there, the network solved",
                "voltage, of the unloaded output's",
                "",
                10 ** (bands / 20),
            ),
            Step.of("20·log10 of it", "level", "dB", bands),
            *_limits(scene, load, sent),
        ),
    )


def _limits(scene: Scene, load: Load, sent: float) -> Iterator[Step]:
    """The limit of each input that decides an estimate, the likely one's first."""
    ids = scene.plant.point_id[scene.plant.points.point_index[scene.wiring.row]]
    limits = Amount.of("limit", "dB", [np.nan if one.limit is None else one.limit for one in load.estimates])
    places = scene.places(load)
    if not places:
        yield Step(f"Limit: {number(load.limit, 'dB')}.", limits)
    for point, (band, one) in places.items():
        row = int(scene.wiring.row[np.flatnonzero(ids == point)[0]])
        needed, limit = float(scene.loads.input_sensitivity_v[row]), number(one.limit, "dB")
        text = f"{limit}, since sensitivity or level is not recorded"
        if np.isfinite(sent) and np.isfinite(needed):
            text = f"20·log10({number(needed, 'V')} / {number(sent, 'V')}) = {limit}"
        yield Step(f"Limit at {scene.point_name(row)}, {WORDS[band]} estimate: {text}.", limits)


@explains("other_zone")
def other_zone(scene: Scene, load: Load) -> Worked:
    wiring, plant = scene.wiring, scene.plant
    run_zone = plant.runs.zone_id[wiring.run_row][wiring.run]
    is_in = plant.points.zone_id[wiring.row]
    of_run = plant.points.run_index[wiring.row] == scene.index(load.subject)
    stray = of_run & scene.loads.loaded[wiring.row] & (is_in >= 0) & (is_in != run_zone)
    rows = [
        [
            scene.point_name(int(wiring.row[node])),
            scene.zones.get(int(is_in[node]), "another zone"),
            scene.zones.get(int(run_zone[node]), "another zone"),
            scene.loads.count[LIKELY, wiring.row[node]],
        ]
        for node in np.flatnonzero(stray)
    ]
    count = scene.loads.count[:, wiring.row[stray]].sum(axis=1)
    return Worked(
        formula="n = Σ of the devices on the run that are in another zone than the run's.",
        tables=(
            Table.of("Devices in another zone", columns("point", "is_in", "pages_with", "devices"), rows),
        ),
        steps=(Step.of("Together", "devices", "", count),),
    )


def _on_output(scene: Scene, load: Load) -> BoolArray:
    """(n,) the nodes of the runs on the output of a load."""
    wiring = scene.wiring
    on: BoolArray = scene.plant.runs.output_index[wiring.run_row] == scene.index(load.subject)
    return on[wiring.run]


def _speakers_allowed(scene: Scene, load: Load) -> Amount:
    rated = scene.fact(load.subject, "speakers_max")
    if np.isfinite(rated):
        return Amount.rated("speakers that the output is rated for", "", rated)
    usual = scene.plant.factors.speakers_per_output
    return Amount.of("speakers on one output", "", usual, "its model states none: common practice")
