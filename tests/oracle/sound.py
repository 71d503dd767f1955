"""Audio of self-amplified runs, and lines behind amplifiers: networks of resistive loads.

The judged point is the lowest in the likely solution. The high estimate takes its path long, the others
short and all loads high; the low estimate the reverse.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .direct_current import ValuesOf
from .figures import Figure, tied
from .networks import Node, path_of, solve_resistive
from .standing import Standing, StandingPoint, StandingRun
from .values import FIRST, LAST, MIDDLE, NAN, Bands, PointValues, Values
from .wiring_classes import wiring_class


@dataclass
class _Lowest:
    """point: the lowest ones, those that tie included, and by each of them its bands as fractions."""

    points: list[StandingPoint]
    volts: list[Bands]


def _lowest(
    points: list[StandingPoint],
    values_of: ValuesOf,
    ohm: Callable[[PointValues, int], float],
    siemens: Callable[[PointValues, int], float],
    source_ohm: float,
) -> _Lowest:
    place = {point.id: k for k, point in enumerate(points)}
    said = [values_of(point.row) for point in points]
    above = [None if point.above is None else place[point.above.id] for point in points]

    def solve(segment_bands: list[int], load_band: int) -> list[float]:
        nodes = [
            Node(above[k], ohm(said[k], segment_bands[k]), siemens=siemens(said[k], load_band))
            for k in range(len(points))
        ]
        return solve_resistive(nodes, source_ohm)

    likely = solve([1] * len(points), 1)
    judged = tied({k: likely[k] for k in range(len(points)) if said[k].loaded}, largest=False)
    bands = []
    tree = [Node(parent, 0.0) for parent in above]
    for k in judged:
        path = {points[j].id for j in path_of(tree, k)}
        path = {j for j in range(len(points)) if {points[j].id, _whole_from(points[j])} & path}
        low = solve([0 if j in path else 2 for j in range(len(points))], 0)
        high = solve([2 if j in path else 0 for j in range(len(points))], 2)
        bands.append(Bands(low[k], likely[k], high[k]))
    return _Lowest([points[k] for k in judged], bands)


def _whole_from(point: StandingPoint) -> int:
    """The point before which the segment to a point was first cut at an unknown distance; of a segment that
    is whole the point itself: what is cut of one segment is of one corner."""
    at: StandingPoint | None = point
    if point.row["length_share_place"] in (MIDDLE, LAST):
        while at is not None and at.row["length_share_place"] != FIRST:
            at = at.above
    return (at or point).id


def audio(standing: Standing, values: Values, values_of: ValuesOf) -> list[Figure]:
    """Figures output_speakers and audio_level of outputs, other_zone of runs."""
    figures = [figure for run in standing.runs.values() for figure in _other_zone(run, values_of)]
    by_output: dict[int, list[StandingPoint]] = {}
    for run in standing.runs.values():
        output = run.row["output_id"]
        if run.kind == "self_amplified" and output is not None:
            by_output.setdefault(output, []).extend(run.points)
    rows = standing.of("outputs")
    for output, points in by_output.items():
        row = rows.get(output)
        model = standing.record.model(row["model_id"]) if row is not None else {}
        figures += _output(values, values_of, output, points, model)
    return figures


def _other_zone(run: StandingRun, values_of: ValuesOf) -> list[Figure]:
    zone = run.row["zone_id"]
    stray = [
        point
        for point in run.points
        if values_of(point.row).loaded and None not in (point.row["zone_id"], zone)
        if point.row["zone_id"] != zone
    ]
    if not stray:
        return []
    return [Figure(("run", run.id), "other_zone", _count(stray, values_of), 0.0, frozenset({stray[0].id}))]


def _count(points: list[StandingPoint], values_of: ValuesOf) -> Bands:
    return Bands(*(sum(values_of(point.row).count[band] for point in points) for band in range(3)))


def _output(
    values: Values, values_of: ValuesOf, output: int, points: list[StandingPoint], model: dict[str, float]
) -> list[Figure]:
    speakers = _count(points, values_of)
    if speakers.high == 0:
        return []
    subject = ("output", output)
    most = model.get("output_speakers_max")
    limit = values.factors["speakers_per_output"] if most is None else float(most)
    figures = [Figure(subject, "output_speakers", speakers, limit)]
    source = model.get("output_impedance_ohm")
    loaded = [point for point in points if values_of(point.row).loaded]
    if source is None or any(math.isnan(values_of(point.row).input_ohm) for point in loaded):
        return figures

    def siemens(said: PointValues, band: int) -> float:
        return said.count[band] / said.input_ohm if said.loaded else 0.0

    found = _lowest(points, values_of, PointValues.pair_ohm, siemens, source)
    sensitivity = values_of(found.points[0].row).sensitivity_v
    level = model.get("output_level_v")
    if level is None or math.isnan(sensitivity):
        limit = -values.factors["audio_loss_db"]
    else:
        limit = 20 * math.log10(sensitivity / level)
    levels = [Bands(*(20 * math.log10(volts) for volts in bands)) for bands in found.volts]
    where = frozenset(point.id for point in found.points)
    figures.append(Figure(subject, "audio_level", levels[0], limit, where, _same(levels[1:], limit)))
    return figures


def lines(standing: Standing, values: Values, values_of: ValuesOf) -> list[Figure]:
    """Figures amplifier_load and line_impedance, wiring_class of amplifiers, line_loss of runs.

    Z = V²/P of a tap; the impedance of a whole amplifier is that of its loads alone.
    """
    amplifiers = standing.of("amplifiers")
    figures: list[Figure] = []
    by_amplifier: dict[int, list[StandingRun]] = {}
    for run in standing.runs.values():
        if run.kind == "self_amplified":
            continue
        amplifier = run.row["amplifier_id"]
        line_v = None
        if amplifier is not None:
            by_amplifier.setdefault(amplifier, []).append(run)
            row = amplifiers.get(amplifier)
            line_v = row["line_voltage_v"] if row is not None else None
        figures += _line_loss(values, values_of, run, line_v)
    for amplifier, runs in by_amplifier.items():
        row = amplifiers.get(amplifier)
        model = standing.record.model(row["model_id"]) if row is not None else {}
        line_v = row["line_voltage_v"] if row is not None else None
        figures += _amplifier(values, values_of, amplifier, runs, model, line_v)
        laid = {run.id: [point.row["cable_type_id"] for point in run.points] for run in runs if run.points}
        figures += wiring_class(standing.record, ("amplifier", amplifier), model.get("output_class"), laid)
    return figures


def _same(bands: list[Bands], limit: float) -> tuple[tuple[Bands, float], ...]:
    return tuple((each, limit) for each in bands)


def _siemens(run: StandingRun, line_v: float | None) -> Callable[[PointValues, int], float]:
    def of_taps(said: PointValues, band: int) -> float:
        if not said.loaded:
            return 0.0
        return NAN if line_v is None else said.tap_w[band] / line_v**2

    def of_speakers(said: PointValues, band: int) -> float:
        return said.count[band] * said.speaker_s if said.loaded else 0.0

    return of_taps if run.kind == "constant_voltage" else of_speakers


def _amplifier(
    values: Values,
    values_of: ValuesOf,
    amplifier: int,
    runs: list[StandingRun],
    model: dict[str, float],
    line_v: float | None,
) -> list[Figure]:
    points = [point for run in runs for point in run.points]
    if _count(points, values_of).high == 0:
        return []
    subject = ("amplifier", amplifier)
    tapped = any(run.kind == "constant_voltage" for run in runs)
    rated = model.get("rated_power_w")
    figures = []
    if tapped:
        power = Bands(*(sum(values_of(point.row).tap_w[band] for point in points) for band in range(3)))
        limit = NAN if rated is None else rated * values.factors["loading_fraction"]
        figures.append(Figure(subject, "amplifier_load", power, limit))
    ohms = []
    for band in range(3):
        total = sum(_siemens(run, line_v)(values_of(p.row), band) for run in runs for p in run.points)
        ohms.append(math.inf if total == 0 else 1 / total)
    lowest = model.get("minimum_impedance_ohm")
    if lowest is None:
        known = tapped and line_v is not None and rated is not None
        lowest = line_v**2 / rated if known and line_v and rated else NAN
    figures.append(Figure(subject, "line_impedance", Bands(*ohms), lowest))
    return figures


def _line_loss(values: Values, values_of: ValuesOf, run: StandingRun, line_v: float | None) -> list[Figure]:
    loaded = [point for point in run.points if values_of(point.row).loaded]
    if not loaded:
        return []
    subject, limit = ("run", run.id), values.factors["line_loss_db"]
    siemens = _siemens(run, line_v)
    if any(math.isnan(siemens(values_of(point.row), 1)) for point in loaded):
        return [Figure(subject, "line_loss", Bands(NAN, NAN, NAN), limit)]
    found = _lowest(run.points, values_of, PointValues.loop_ohm, siemens, 0.0)
    losses = [Bands(*(abs(20 * math.log10(volts)) for volts in bands)) for bands in found.volts]
    where = frozenset(point.id for point in found.points)
    return [Figure(subject, "line_loss", losses[0], limit, where, _same(losses[1:], limit))]
