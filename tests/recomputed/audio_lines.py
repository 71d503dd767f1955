"""What the audio side carries: outputs, and lines behind amplifiers (domain reference, sections 3.3 and
3.4)."""

from __future__ import annotations

import math
from typing import TypeVar

from .bands import HIGH, LIKELY, LOW, THREE, Band, each, factor
from .circuits import Branch, Tree, divide
from .figures import AMPLIFIER, NAN, OUTPUT, RUN, Figure, Key, or_nan
from .record import Record
from .wiring import CONSTANT_VOLTAGE, SELF_AMPLIFIED, Point, Run

T = TypeVar("T")


def audio_line_figures(record: Record, step: int, runs: list[Run]) -> dict[Key, Figure]:
    figures: dict[Key, Figure] = {}
    for run in runs:
        _other_zone(figures, run)
    for output_id, on_it in _by(runs, "output_id", lambda run: run.kind == SELF_AMPLIFIED).items():
        _output(record, figures, step, output_id, on_it)
    lines = _by(runs, "amplifier_id", lambda run: run.kind != SELF_AMPLIFIED)
    for amplifier_id, on_it in lines.items():
        _amplifier(record, figures, step, amplifier_id, on_it)
    for run in runs:
        if run.kind != SELF_AMPLIFIED:
            _line_loss(record, figures, step, run)
    return figures


def _by(runs: list[Run], source: str, wanted: object) -> dict[int, list[Run]]:
    found: dict[int, list[Run]] = {}
    for run in runs:
        if run.facts.get(source) is not None and wanted(run):  # type: ignore[operator]
            found.setdefault(run.facts[source], []).append(run)
    return found


def _other_zone(figures: dict[Key, Figure], run: Run) -> None:
    zone = run.facts.get("zone_id")
    strays = [
        p
        for p in run.points
        if p.load.hangs and zone is not None and p.facts["zone_id"] not in (None, zone)
    ]
    if strays:
        figures["other_zone", RUN, run.id] = Figure(
            each(lambda band: sum(p.load.count[band] for p in strays)), 0.0
        )


def _output(record: Record, figures: dict[Key, Figure], step: int, output_id: int, runs: list[Run]) -> None:
    model = _output_model(record, output_id, step)
    points = [p for run in runs for p in run.points]
    count = each(lambda band: float(sum(p.load.count[band] for p in points)))
    if count[HIGH] <= 0:
        return
    rated = model.get("output_speakers_max")
    limit = factor(record, "speakers_per_output") if rated is None else rated
    figures["output_speakers", OUTPUT, output_id] = Figure(count, float(limit))

    devices = [p for p in points if p.load.hangs]
    source_ohm = model.get("output_impedance_ohm")
    if source_ohm is None or any(p.load.input_ohm is None for p in devices):
        return
    siemens = {
        p.id: each(lambda band, p=p: p.load.count[band] / p.load.input_ohm)  # type: ignore[misc]
        for p in devices
    }
    judged, fractions = _judge_lowest(points, devices, siemens, source_ohm, pairs=False)
    sensitivity, level = judged.load.sensitivity_v, model.get("output_level_v")
    if sensitivity is not None and level is not None:
        least = 20 * math.log10(sensitivity / level)
    else:
        least = -factor(record, "audio_loss_db")
    figures["audio_level", OUTPUT, output_id] = Figure(each(lambda band: _db(fractions[band])), least)


def _output_model(record: Record, output_id: int, step: int) -> dict[str, object]:
    output = record.rows["output"].get(output_id)
    if output is None or output not in record.standing("output", step):
        return {}
    endpoint = record.rows["endpoint"][output["endpoint_id"]]
    if endpoint not in record.standing("endpoint", step):
        return {}
    return record.model(record.at("endpoint_facts", endpoint["id"], step))


def _judge_lowest(
    points: list[Point], devices: list[Point], siemens: dict[int, Band], source_ohm: float, *, pairs: bool
) -> tuple[Point, list[float]]:
    """The device that hears least in the likely solution, and the fraction of the source that it hears: with
    its path long, the other pieces short and all loads high, or the reverse."""

    def ohm(point: Point, band: int) -> float:
        return (point.load.loop_ohm if pairs else point.load.pair_ohm)[band]

    def heard(ohms: dict[int, float], load_band: int) -> dict[int, float]:
        network: Tree[int] = Tree()
        for p in points:
            network.add(p.id, p.parent.id if p.parent is not None else None, Branch(ohms[p.id]))
        loads = {p.id: siemens[p.id][load_band] if p.id in siemens else 0.0 for p in points}
        return divide(network, loads, source_ohm)

    likely = heard({p.id: ohm(p, LIKELY) for p in points}, LIKELY)
    judged = min(devices, key=lambda p: likely[p.id])
    path: set[int] = set()
    at: Point | None = judged
    while at is not None:
        path.add(at.id)
        at = at.parent
    fractions = []
    for band in THREE:
        if band == LIKELY:
            fractions.append(likely[judged.id])
            continue
        other = LOW if band == HIGH else HIGH
        ohms = {p.id: ohm(p, band if p.id in path else other) for p in points}
        fractions.append(heard(ohms, band)[judged.id])
    return judged, fractions


def _db(fraction: float) -> float:
    return 20 * math.log10(fraction)


def _amplifier(
    record: Record, figures: dict[Key, Figure], step: int, amplifier_id: int, runs: list[Run]
) -> None:
    facts = record.at("amplifier_facts", amplifier_id, step)
    model = record.model(facts)
    line_v, rated_w = or_nan(facts.get("line_voltage_v")), or_nan(model.get("rated_power_w"))
    points = [p for run in runs for p in run.points]
    if not any(p.load.hangs for p in points):
        return
    tapped = any(run.kind == CONSTANT_VOLTAGE for run in runs)
    if tapped:
        figures["amplifier_load", AMPLIFIER, amplifier_id] = Figure(
            each(lambda band: sum(p.load.tap_w[band] for p in points)),
            rated_w * factor(record, "loading_fraction"),
        )
    total = each(
        lambda band: sum(_siemens(run, p, line_v)[band] for run in runs for p in run.points if p.load.hangs)
    )
    lowest = or_nan(model.get("minimum_impedance_ohm"))
    if tapped and math.isnan(lowest):
        lowest = line_v**2 / rated_w
    figures["line_impedance", AMPLIFIER, amplifier_id] = Figure(
        each(lambda band: math.inf if total[band] == 0 else 1 / total[band]), lowest
    )


def _siemens(run: Run, point: Point, line_v: float) -> Band:
    """A tap takes P/V², a speaker 1/Z."""
    if run.kind == CONSTANT_VOLTAGE:
        return each(lambda band: point.load.tap_w[band] / line_v**2)
    ohm = point.load.speaker_ohm
    return each(lambda band: NAN if ohm is None else point.load.count[band] / ohm)


def _line_loss(record: Record, figures: dict[Key, Figure], step: int, run: Run) -> None:
    devices = [p for p in run.points if p.load.hangs]
    if not devices:
        return
    limit = factor(record, "line_loss_db")
    amplifier_id = run.facts.get("amplifier_id")
    facts = record.at("amplifier_facts", amplifier_id, step) if amplifier_id is not None else {}
    line_v = or_nan(facts.get("line_voltage_v"))
    siemens = {p.id: _siemens(run, p, line_v) for p in devices}
    if any(math.isnan(of[LIKELY]) for of in siemens.values()):
        figures["line_loss", RUN, run.id] = Figure((NAN, NAN, NAN), limit)
        return
    _, fractions = _judge_lowest(run.points, devices, siemens, 0.0, pairs=True)
    figures["line_loss", RUN, run.id] = Figure(each(lambda band: abs(_db(fractions[band]))), limit)
