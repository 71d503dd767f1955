"""Audio of self-amplified runs, and lines behind amplifiers: networks of resistive loads.

Every device is judged in its own corners, one solve of the whole tree each: for the high estimate its path is
long, the others short and all loads high; for the low one the reverse. Each estimate is that of the device
whose level is least above its own limit. What is not known draws nothing, and then the truth may be harsher.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from .direct_current import ValuesOf
from .figures import Figure, Spot, worst_spots
from .networks import Node, path_of, solve_resistive
from .standing import Standing, StandingPoint, StandingRun
from .values import FIRST, LAST, MIDDLE, NAN, Bands, PointValues, Values
from .wiring_classes import wiring_class


@dataclass
class _Worst:
    """spots: by estimate the devices with the least to spare, with level and need [dB]; none where no level
    is known. bound: the impedance of some device is not known."""

    spots: tuple[tuple[Spot, ...], ...]
    bound: bool

    @property
    def levels(self) -> Bands:
        return Bands(*(of[0].value if of else NAN for of in self.spots))


def _worst(
    points: list[StandingPoint],
    values_of: ValuesOf,
    ohm: Callable[[PointValues, int], float],
    siemens: Callable[[PointValues, int], float],
    source_ohm: float | None,
    needs: Callable[[PointValues], float],
) -> _Worst:
    place = {point.id: k for k, point in enumerate(points)}
    said = [values_of(point.row) for point in points]
    above = [None if point.above is None else place[point.above.id] for point in points]
    devices = [k for k in range(len(points)) if said[k].loaded]
    unknown = {k for k in devices if math.isnan(siemens(said[k], 1))}
    if source_ohm is None or len(unknown) == len(devices):
        return _Worst(((), (), ()), bool(unknown))
    tree = [Node(parent, 0.0) for parent in above]

    def level(device: int, on_path: int, elsewhere: int, load: int) -> float:
        on = {points[k].id for k in path_of(tree, device)}
        path = {k for k in range(len(points)) if {points[k].id, whole_from(points[k])} & on}
        nodes = [
            Node(
                above[k],
                ohm(said[k], on_path if k in path else elsewhere),
                siemens=0.0 if k in unknown else siemens(said[k], load),
            )
            for k in range(len(points))
        ]
        return 20 * math.log10(solve_resistive(nodes, source_ohm)[device])

    def least(on_path: int, elsewhere: int, load: int) -> tuple[Spot, ...]:
        found = [
            Spot(level(device, on_path, elsewhere, load), needs(said[device]), points[device].id)
            for device in devices
        ]
        return worst_spots([(spot.value - spot.limit, spot) for spot in found], largest=False)

    return _Worst((least(0, 2, 0), least(1, 1, 1), least(2, 0, 2)), bool(unknown))


def whole_from(point: StandingPoint) -> int:
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
    level = model.get("output_level_v")

    def needs(said: PointValues) -> float:
        if level is None or math.isnan(said.sensitivity_v):
            return -values.factors["audio_loss_db"]
        return 20 * math.log10(said.sensitivity_v / level)

    def siemens(said: PointValues, band: int) -> float:
        return said.count[band] / said.input_ohm if said.loaded else 0.0

    source = model.get("output_impedance_ohm")
    found = _worst(points, values_of, PointValues.pair_ohm, siemens, source, needs)
    # where no level is known, so none of them decides, the need that is hardest to meet
    limit = max(needs(values_of(point.row)) for point in points if values_of(point.row).loaded)
    spots = found.spots if any(found.spots) else ()
    figures.append(Figure(subject, "audio_level", found.levels, limit, spots=spots, bound=(found.bound,) * 3))
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


def siemens_of(run: StandingRun, line_v: float | None) -> Callable[[PointValues, int], float]:
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
    drawn = [
        tuple(siemens_of(run, line_v)(said, band) for band in range(3))
        for run in runs
        for said in (values_of(point.row) for point in run.points)
        if said.loaded
    ]
    known = [each for each in drawn if not math.isnan(each[1])]
    unknown = len(known) < len(drawn)
    ohms = []
    for band in range(3):
        total = sum(each[band] for each in known)
        nothing = NAN if unknown else math.inf
        ohms.append(nothing if total == 0 else 1 / total)
    lowest = model.get("minimum_impedance_ohm")
    if lowest is None:
        lowest = line_v**2 / rated if tapped and line_v and rated else NAN
    figures.append(Figure(subject, "line_impedance", Bands(*ohms), lowest, bound=(unknown,) * 3))
    return figures


def _line_loss(values: Values, values_of: ValuesOf, run: StandingRun, line_v: float | None) -> list[Figure]:
    loaded = [point for point in run.points if values_of(point.row).loaded]
    if not loaded:
        return []
    subject, limit = ("run", run.id), values.factors["line_loss_db"]
    siemens = siemens_of(run, line_v)
    found = _worst(run.points, values_of, PointValues.loop_ohm, siemens, 0.0, lambda _: -limit)
    spots = tuple(tuple(Spot(abs(spot.value), limit, spot.id) for spot in of) for of in found.spots)
    losses = Bands(*(abs(level) for level in found.levels))
    return [Figure(subject, "line_loss", losses, limit, spots=spots, bound=(found.bound,) * 3)]
