"""What a test should have read, and whether it did: from the record as of its day, as the readings of
currents and voltages left it.

A loop resistance is that of one audio pair out to the point whose far end is shorted, and back. The impedance
of a line is what taps or speakers come to behind the resistance of the cable, seen from the block with the
amplifier off. A level is relative to the unloaded output, everything that the output drives connected; the
path to the point is long where the rest is short, and the reverse. A kind that passes or fails has no
expected value, nor has an insulation resistance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from .anchoring import UNKNOWN, Anchored, outside_by
from .networks import Node, order_of, path_of, solve_resistive
from .reading_bench import warmth
from .record import ReadingRow
from .sound import siemens_of, whole_from
from .standing import Standing, StandingPoint, StandingRun
from .values import NAN, Bands, PointValues

PASSES = ("continuity", "shorts", "polarity", "tone_trace", "listening")
INSULATES_FROM_OHM = 1e6
# Common practice: of a loop resistance 2 %, and 0.1 Ω that leads and clips add; of an impedance at 1 kHz
# 10 %; of a level 0.5 dB
LOOP_ERROR, LEADS_OHM, LINE_ERROR, LEVEL_ERROR_DB = 0.02, 0.1, 0.1, 0.5


@dataclass(frozen=True)
class Told:
    """What a test came to. verdict: in words. expected: least first. error: what the instrument may be off
    by; outside: how far beyond that the value lies outside what is expected. NaN: not known."""

    verdict: str
    expected: Bands = UNKNOWN
    error: float = NAN
    outside: float = NAN


def told(anchored: Anchored) -> dict[int, Told]:
    """What each test came to that none supersedes."""
    compared = {
        each.reading.id: _judged(each.expected, each.error, each.excess) for each in anchored.compared
    }
    return {test.id: compared.get(test.id) or _of(anchored, test) for test in anchored.record.tests}


def _of(anchored: Anchored, test: ReadingRow) -> Told:
    if test.kind in PASSES:
        return Told("passed" if test.passed else "failed")
    if test.kind == "insulation":
        return Told("passed" if test.value >= INSULATES_FROM_OHM else "failed")
    if test.kind not in _EXPECTED:
        return Told("cannot_judge")
    stated = test.instrument_error
    if test.kind == "loop_resistance":
        error = test.value * (LOOP_ERROR if stated is None else stated) + LEADS_OHM
    elif test.kind == "line_impedance":
        error = test.value * (LINE_ERROR if stated is None else stated)
    else:
        error = LEVEL_ERROR_DB if stated is None else stated
    expected = _EXPECTED[test.kind](anchored, test)
    return _judged(expected, error, outside_by(test.value, error, expected.low, expected.high))


def _judged(expected: Bands, error: float, outside: float) -> Told:
    if math.isnan(outside):
        return Told("cannot_judge", error=error)
    if any(map(math.isinf, expected)):
        expected = UNKNOWN  # in some corner there is no solution, so no number
    return Told("outside" if outside > 0 else "as_expected", expected, error, outside)


def _loop(anchored: Anchored, test: ReadingRow) -> Bands:
    run = Standing(anchored.record, test.step).runs.get(test.run or 0)
    if run is None or run.kind != "self_amplified":
        return UNKNOWN
    at = next((point for point in run.points if point.id == test.point), None)
    if at is None:
        return UNKNOWN
    ohm = [0.0, 0.0, 0.0]
    while at is not None:
        for band in range(3):
            warm = warmth(test, anchored.record.temperature_c, at.row, band)
            ohm[band] += anchored.of(at.row).pair_ohm(band) * warm
        at = at.above
    return Bands(*ohm)


def _line(anchored: Anchored, test: ReadingRow) -> Bands:
    record = anchored.record
    standing = Standing(record, test.step)
    run = standing.runs.get(test.run or 0)
    if run is None or run.kind == "self_amplified":
        return UNKNOWN
    amplifier = standing.of("amplifiers").get(run.row["amplifier_id"])
    siemens = siemens_of(run, amplifier["line_voltage_v"] if amplifier is not None else None)
    said = [anchored.of(point.row) for point in run.points]
    if any(math.isnan(siemens(each, 1)) for each in said):
        return UNKNOWN
    if sum(siemens(each, 0) for each in said) <= 0:
        return UNKNOWN
    place = {point.id: k for k, point in enumerate(run.points)}

    def impedance(cable: int, load: int) -> float:
        nodes = [
            Node(
                None if point.above is None else place[point.above.id],
                each.loop_ohm(cable) * warmth(test, record.temperature_c, point.row, cable),
                siemens=siemens(each, load),
            )
            for point, each in zip(run.points, said, strict=True)
        ]
        inner = [node.siemens for node in nodes]
        total = 0.0
        for k in order_of(nodes)[::-1]:
            seen = inner[k] / (1 + nodes[k].ohm * inner[k])
            parent = nodes[k].parent
            if parent is None:
                total += seen
            else:
                inner[parent] += seen
        return 1 / total

    return Bands(impedance(0, 2), impedance(1, 1), impedance(2, 0))


def _level(anchored: Anchored, test: ReadingRow) -> Bands:
    standing = Standing(anchored.record, test.step)
    run = standing.runs.get(test.run or 0)
    output = run.row["output_id"] if run is not None and run.kind == "self_amplified" else None
    row = standing.of("outputs").get(output) if output is not None else None
    source = anchored.record.model(row["model_id"]).get("output_impedance_ohm") if row is not None else None
    points = [point for each in _driven(standing, output) for point in each.points]
    at = next((k for k, point in enumerate(points) if point.id == test.point), None)
    if source is None or at is None:
        return UNKNOWN
    said = [anchored.of(point.row) for point in points]
    if any(each.loaded and math.isnan(each.input_ohm) for each in said):
        return UNKNOWN
    place = {point.id: k for k, point in enumerate(points)}
    above = [None if point.above is None else place[point.above.id] for point in points]
    path = _path(points, above, at)

    def level(on_path: int, elsewhere: int, load: int) -> float:
        nodes = [
            Node(
                above[k],
                said[k].pair_ohm(on_path if k in path else elsewhere),
                siemens=_input_s(said[k], load),
            )
            for k in range(len(points))
        ]
        return 20 * math.log10(solve_resistive(nodes, source)[at])

    return Bands(level(2, 0, 2), level(1, 1, 1), level(0, 2, 0))


def _driven(standing: Standing, output: int | None) -> list[StandingRun]:
    return [
        run
        for run in standing.runs.values()
        if output is not None and run.kind == "self_amplified" and run.row["output_id"] == output
    ]


def _path(points: list[StandingPoint], above: list[int | None], at: int) -> set[int]:
    """The places on the way to one; where one part of a cut segment is, so are all."""
    on = {points[k].id for k in path_of([Node(parent, 0.0) for parent in above], at)}
    return {k for k in range(len(points)) if {points[k].id, whole_from(points[k])} & on}


def _input_s(said: PointValues, band: int) -> float:
    return said.count[band] / said.input_ohm if said.loaded else 0.0


_EXPECTED = {"loop_resistance": _loop, "line_impedance": _line, "level": _level}
