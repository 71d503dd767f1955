"""Worked calculations of constant-voltage and low-impedance lines."""

from __future__ import annotations

import numpy as np

from sites.models import Basis
from zones.electrical.bands import LIKELY
from zones.electrical.plant import BoolArray, RunKind
from zones.loads.site_loads import Load

from .registry import explains
from .scene import DRAWS_NOTHING, OWN_CORNERS, Scene
from .worked import (
    Amount,
    Column,
    Step,
    Table,
    Worked,
    amount_of_fraction,
    bands_of,
    columns,
    estimates,
    limit_by_fraction,
    number,
)

_TAPS = columns("run", "point", *estimates("W"), Column("known", "how it is known"))


@explains("amplifier_load")
def amplifier_load(scene: Scene, load: Load) -> Worked:
    rated = scene.fact(load.subject, "rated_power_w")
    fraction = scene.plant.factors.loading_fraction
    taps = scene.loads.tap_w[:, scene.wiring.row[_driven(scene, load)]].sum(axis=1)
    return Worked(
        formula="P = Σ of the taps on the amplifier's lines. Limit: rated power × loading fraction.",
        assumptions=("All taps at once. The loss in the cable is not counted as load.",),
        inputs=(
            Amount.rated("rated power of the amplifier", "W", rated),
            amount_of_fraction(fraction),
        ),
        tables=(_tap_table(scene, load),),
        steps=(
            Step.of("Sum of the taps", "taps", "W", taps),
            limit_by_fraction(rated, fraction, "W"),
        ),
    )


@explains("line_impedance")
def line_impedance(scene: Scene, load: Load) -> Worked:
    volts, rated, lowest = (
        scene.fact(load.subject, name)
        for name in ("line_voltage_v", "rated_power_w", "minimum_impedance_ohm")
    )
    driven = _driven(scene, load)
    nodes = scene.wiring.row[driven]
    on_taps = scene.plant.run_kind[scene.plant.points.run_index[nodes]] == RunKind.CONSTANT_VOLTAGE
    taps = scene.loads.tap_w[:, nodes[on_taps]].sum(axis=1)
    inputs = [Amount.of("line voltage", "V", volts, "recorded of the amplifier")]
    steps = []
    if on_taps.any():
        steps.append(
            Step.worked(
                f"Taps: {number(taps[LIKELY], 'W')}, so {number(volts, 'V')}² / {number(taps[LIKELY], 'W')}",
                "impedance of the taps",
                "Ω",
                volts**2 / taps,
            )
        )
    steps.append(Step.of("All in parallel", "line impedance", "Ω", bands_of(load)))
    if np.isfinite(lowest):
        inputs.append(Amount.rated("lowest load of the amplifier", "Ω", lowest))
    elif on_taps.any():
        inputs.append(Amount.rated("rated power of the amplifier", "W", rated))
        expression = f"Limit: {number(volts, 'V')}² / {number(rated, 'W')}"
        steps.append(Step.worked(expression, "limit", "Ω", volts**2 / rated))
    return Worked(
        formula="Z = V² / P of a tap; 1/Z = Σ 1/Zₖ of everything connected to the amplifier. Limit: its "
        "lowest load impedance, else V² / P of its rated power.",
        assumptions=(
            "Cable adds impedance, so it is left out: the figure is the harsher one.",
            *([DRAWS_NOTHING] if load.estimates.likely.bound else []),
        ),
        inputs=tuple(inputs),
        tables=(_tap_table(scene, load),) if on_taps.any() else (),
        steps=tuple(steps),
    )


@explains("line_loss")
def line_loss(scene: Scene, load: Load) -> Worked:
    of_run = scene.plant.points.run_index[scene.wiring.row] == scene.index(load.subject)
    bands = bands_of(load)
    bounded = any(one.bound for one in load.estimates)
    return Worked(
        formula="L = −20·log10(V / Vs): the loss of the power that a tap draws. It is not the efficiency: "
        "the power in all loads against the power from the amplifier.",
        assumptions=(OWN_CORNERS, DRAWS_NOTHING) if bounded else (OWN_CORNERS,),
        inputs=(
            Amount.of(
                "highest line loss", "dB", scene.plant.factors.line_loss_db, "common practice, no source"
            ),
        ),
        tables=scene.path_tables(
            "Cable to the device that gets least",
            load,
            of_run,
            "loop resistance",
            scene.loads.loop_resistance_ohm,
        ),
        steps=(
            Step.of(
                "V / Vs there, the network solved", "voltage, of the amplifier's", "", 10 ** (-bands / 20)
            ),
            Step.of("−20·log10 of it", "loss", "dB", bands),
        ),
    )


def _driven(scene: Scene, load: Load) -> BoolArray:
    """(n,) the loaded nodes of the runs on the amplifier of a load."""
    wiring = scene.wiring
    on = scene.plant.runs.amplifier_index[wiring.run_row] == scene.index(load.subject)
    runs: BoolArray = on & (wiring.run_kind != RunKind.SELF_AMPLIFIED)
    return runs[wiring.run] & scene.loads.loaded[wiring.row]


def _tap_table(scene: Scene, load: Load) -> Table:
    rows = []
    for row in scene.wiring.row[_driven(scene, load)].tolist():
        if scene.loads.tap_w[LIKELY, row]:
            known = Basis(int(scene.plant.points.tap_basis[row]))
            shown = "not recorded: taken as usual for its kind" if known == Basis.UNKNOWN else known.label
            rows.append([scene.run_name_of(row), scene.point_name(row), *scene.loads.tap_w[:, row], shown])
    return Table.of("Taps", _TAPS, rows)
