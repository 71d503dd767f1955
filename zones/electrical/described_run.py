"""A run described in a document, and its solution.

    {"source": {"voltage_v": 24, "tolerance": 0.0, "internal_resistance_ohm": 0.0},
     "temperature_c": 20,
     "points": [{"id": "p1", "parent": null, "length_m": 10, "awg": 24, "parallel_pairs": 1,
                 "load": {"current_a": 0.05}}, ...]}

A load is any sum of ``current_a``, ``power_w`` and ``resistance_ohm``; a point without one is a splice.
``loop_resistance_ohm`` replaces ``length_m`` and ``awg``; temperature does not change it. Points come in any
order; those whose parent is null start at the source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from zones.electrical.bad_input import Problems
from zones.electrical.conductors import AWG_THINNEST, loop_resistance_ohm
from zones.electrical.forest import Floats, Forest, Indices
from zones.electrical.radial import NO_STABLE_SOLUTION, VOLTAGE_NOT_ABOVE_ZERO, Solution, solve
from zones.electrical.run_description import DescribedPoint, Reading


@dataclass(frozen=True, eq=False)
class DescribedRun:
    """A run that can be computed. Arrays have one entry a point, in the order of the document.

    parent: index of the parent, -1 for the source; source_voltage_v: at the bottom of the tolerance.
    """

    point_ids: tuple[str, ...]
    parent: Indices
    segment_resistance_ohm: Floats
    current_a: Floats
    power_w: Floats
    conductance_s: Floats
    source_voltage_v: float
    source_resistance_ohm: float

    def solve(self) -> Solution:
        """The solution of the run as one tree."""
        forest = Forest.build(self.parent, np.zeros(len(self.point_ids), dtype=np.intp), 1)
        return solve(
            forest,
            source_voltage_v=self.source_voltage_v,
            source_resistance_ohm=self.source_resistance_ohm,
            segment_resistance_ohm=self.segment_resistance_ohm,
            current_a=self.current_a,
            power_w=self.power_w,
            conductance_s=self.conductance_s,
        )


REMEDY = "Less load, shorter or thicker cable, or a higher voltage is needed."
WHY_INFEASIBLE = {
    NO_STABLE_SOLUTION: (
        "no_stable_solution",
        f"No voltages exist at which all the constant-power loads would get their watts. {REMEDY}",
    ),
    VOLTAGE_NOT_ABOVE_ZERO: (
        "voltage_not_above_zero",
        f"The drop along the cable would leave some point with no voltage above zero. {REMEDY}",
    ),
}


def answer(run: DescribedRun, solution: Solution) -> dict[str, object]:
    """The answer for a ``run`` and its ``solution``, ready for JSON: voltages and load currents, or why there
    are none."""
    reason = int(solution.reason[0])
    if reason in WHY_INFEASIBLE:
        code, why = WHY_INFEASIBLE[reason]
        return {"feasible": False, "reason": code, "detail": why}
    rows = zip(run.point_ids, solution.voltage_v.tolist(), solution.load_current_a.tolist(), strict=True)
    lowest = int(np.argmin(solution.voltage_v))
    return {
        "feasible": True,
        "source_current_a": float(solution.source_current_a[0]),
        "points": [{"id": point, "voltage_v": volts, "current_a": amperes} for point, volts, amperes in rows],
        "lowest": {"id": run.point_ids[lowest], "voltage_v": float(solution.voltage_v[lowest])},
    }


def describe(document: object) -> DescribedRun:
    """The run in a document, which is the result of `json_text.read` or of any JSON parser.

    Raises BadInputError with every problem: where it is, what was found, what is expected.
    """
    problems = Problems()
    source, temperature, points = Reading(problems).document(document)
    problems.raise_if_any()
    return DescribedRun(
        point_ids=tuple(point.id for point in points),
        parent=np.array([point.parent for point in points], dtype=np.intp),
        segment_resistance_ohm=_segment_resistance_ohm(points, temperature),
        current_a=np.array([point.load.get("current_a", 0.0) for point in points]),
        power_w=np.array([point.load.get("power_w", 0.0) for point in points]),
        conductance_s=np.array([1 / point.load.get("resistance_ohm", math.inf) for point in points]),
        source_voltage_v=source["voltage_v"] * (1 - source.get("tolerance", 0.0)),
        source_resistance_ohm=source.get("internal_resistance_ohm", 0.0),
    )


def _segment_resistance_ohm(points: list[DescribedPoint], temperature_c: float) -> Floats:
    stated = np.array([point.values.get("loop_resistance_ohm", math.nan) for point in points])
    computed = loop_resistance_ohm(
        [point.values.get("awg", AWG_THINNEST) for point in points],
        [point.values.get("length_m", 0.0) for point in points],
        parallel_pairs=[point.values.get("parallel_pairs", 1.0) for point in points],
        temperature_c=temperature_c,
    )
    return np.where(np.isnan(stated), computed, stated)
