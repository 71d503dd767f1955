"""Worked calculations of readings against the record."""

from __future__ import annotations

import numpy as np

from zones.loads.site_loads import Load

from .registry import explains
from .scene import Scene
from .worked import Amount, Step, Worked, number

_ERROR = "stated by the instrument"
_USUAL = "5 % of a current, 10 % of one during speech, 1 % of a voltage: common practice, no source"


@explains("reading_disagrees", "voltage_disagrees")
def reading_disagrees(scene: Scene, load: Load) -> Worked:
    anchoring = scene.site.anchoring
    readings = anchoring.readings
    at = int(np.flatnonzero(readings.reading_id == load.detail)[0])
    unit = "A" if load.code == "reading_disagrees" else "V"
    (least, _, most), error = anchoring.expected[:, at], float(anchoring.error[at])
    value, excess = float(readings.value[at]), float(anchoring.excess[at])
    stated = not np.isnan(readings.instrument_error[at])
    if not anchoring.solved[at]:
        found = Step(
            "Computed: no stable voltage at the likely lengths: overloaded, so nothing is delivered.",
            Amount.of("computed", unit, 0.0),
        )
    else:
        found = Step(
            f"Range computed without it: {number(least, unit)} to {number(most, unit)}; widened by the "
            f"reading's error: {number(least - error, unit)} to {number(most + error, unit)}.",
            Amount.of("range", unit, (least, np.nan, most)),
        )
    steps = [found]
    if np.isfinite(anchoring.factor[at]):
        steps.append(
            Step(
                f"It scales what the record only guesses by {number(float(anchoring.factor[at]))}. "
                "Each value stops at the edge of its own range.",
                Amount.of("factor", "", float(anchoring.factor[at])),
            )
        )
    if np.isfinite(anchoring.spread[at]):
        steps.append(
            Step.of(
                "Error of what is scaled, as a fraction of it: (the reading's error + half the width of "
                "what is not scaled) / the scaled part",
                "error of scaled values",
                "",
                float(anchoring.spread[at]),
            )
        )
    steps.append(Step.of("Outside that range", "excess", unit, excess))
    return Worked(
        formula="How far the reading is outside the range from low to high, for its day and without readings "
        "of its kind, widened by the reading's error.",
        assumptions=(
            "The source is as measured at the block, else from its bottom to its top or float charge.",
            "The cable is as warm as noted with the reading, else from 20 °C to the design temperature.",
        ),
        inputs=(
            Amount.of("reading", unit, value, "measured"),
            Amount.of("error of the reading", unit, error, _ERROR if stated else _USUAL),
        ),
        steps=tuple(steps),
    )
