"""Invented sites of which about half is recorded, each with what is truly there.

The truth lies inside the bands of what is recorded: measured ± 2 % of a length and ± 5 % of a current, and so
on (common practice, no source). Two plants have the same things under the same numbers: one holds the record,
the other the truth.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import Any

from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.bands import Basis

CEILING = {"idle_current_a": 0.015, "full_output_current_a": 0.05}
WALL = {"device_kind": 2, "idle_current_a": 0.02, "full_output_current_a": 0.08}
HORN = {"device_kind": 3, "idle_current_a": 0.02, "full_output_current_a": 0.25}
MODELS = (CEILING, WALL, HORN)
SEGMENT_M, HOME_RUN_M = (4.0, 15.0), (15.0, 90.0)
SPEAKER_A, HORN_A = (0.015, 0.050), (0.060, 0.350)
"""Least and most of what is not recorded, as the record counts it (README, "How sure")."""
LENGTHS = {
    Basis.GUESSED: (0.7, 1.5),
    Basis.DRAWING: (0.95, 1.4),
    Basis.MARKED: (0.95, 1.05),
    Basis.MEASURED: (0.98, 1.02),
}
CURRENTS = {Basis.GUESSED: (0.6, 1.6), Basis.DRAWING: (0.8, 1.3), Basis.MEASURED: (0.95, 1.05)}


_KNOWN_LENGTHS = (Basis.MEASURED, Basis.MARKED)
_UNKNOWN_LENGTHS = (Basis.UNKNOWN, Basis.GUESSED, Basis.DRAWING)
_UNKNOWN_CURRENTS = (Basis.UNKNOWN, Basis.UNKNOWN, Basis.GUESSED, Basis.DRAWING)


@dataclass(frozen=True)
class HalfUnknown:
    record: p.Plant
    truth: p.Plant


def half_unknown(seed: int) -> HalfUnknown:
    """One site: one or two supplies with one to four runs each, some of them branched."""
    rng = random.Random(seed)
    record, truth = ToyPlant(temperature_c=20.0), ToyPlant(temperature_c=20.0)
    for toy in (record, truth):
        toy.cable(category=True)
        for model in MODELS:
            toy.model(**model)
        toy.add("zones", zone_id=1, signal=p.Signal.SPEECH)
    for supply in range(rng.choice([1, 1, 2])):
        rated = rng.choice([1.0, 2.0])
        for toy in (record, truth):
            toy.add("supplies", rated_current_a=rated, voltage_tolerance=0.02)
        for _ in range(rng.randint(1, 4)):
            numbers = [toy.run(supply_index=supply) for toy in (record, truth)]
            assert numbers[0] == numbers[1]
            _points(rng, record, truth, numbers[0])
    return HalfUnknown(record.build(), truth.build())


def _points(rng: random.Random, record: ToyPlant, truth: ToyPlant, run: int) -> None:
    known = rng.random() < 0.5
    horns = rng.random() < 0.3
    branched = rng.random() < 0.4
    made: list[int] = []
    for _ in range(rng.randint(2, 4) if horns else rng.randint(4, 12)):
        parent = -1 if not made else rng.choice(made[-4:]) if branched else made[-1]
        common: dict[str, Any] = {"run_index": run, "parent_index": parent, "cable_index": 0}
        length, said_length = _length(rng, home_run=not made, known=known)
        current, said_current = _current(rng, horns=horns, known=known)
        record.add("points", **common, **said_length, **said_current)
        index = truth.add(
            "points",
            **common,
            length_m=length,
            length_basis=int(Basis.MEASURED),
            speech_current_a=current,
            idle_current_a=current / 2,
            current_basis=int(Basis.MEASURED),
            device_kind=3 if horns else 1,
            model_index=2 if horns else 0,
        )
        made.append(index)


def _length(rng: random.Random, *, home_run: bool, known: bool) -> tuple[float, dict[str, Any]]:
    """What is there, and what the record says."""
    least, most = HOME_RUN_M if home_run else SEGMENT_M
    basis = rng.choice(
        [Basis.MEASURED, Basis.MARKED] if known else [Basis.UNKNOWN, Basis.GUESSED, Basis.DRAWING]
    )
    if basis == Basis.UNKNOWN:
        return rng.uniform(least, most), {"length_m": NAN, "length_basis": int(basis)}
    said = round(rng.uniform(least, most), 1)
    low, high = LENGTHS[basis]
    return said * rng.uniform(low, high), {"length_m": said, "length_basis": int(basis)}


def _current(rng: random.Random, *, horns: bool, known: bool) -> tuple[float, dict[str, Any]]:
    """At speech: what is drawn, and what the record says."""
    kind = 3 if horns else rng.choice([1, 2])
    full = MODELS[kind - 1]["full_output_current_a"]
    model = {"device_kind": kind, "model_index": kind - 1}
    if known and rng.random() < 0.5:  # as the model: half of full output, × 0.8 to 1.3
        return full / 2 * rng.uniform(0.8, 1.3), model | {"current_basis": int(Basis.MARKED)}
    basis = (
        Basis.MEASURED if known else rng.choice([Basis.UNKNOWN, Basis.UNKNOWN, Basis.GUESSED, Basis.DRAWING])
    )
    if basis == Basis.UNKNOWN:
        least, most = HORN_A if horns else SPEAKER_A
        # its lowest voltage is known, its current is not
        return rng.uniform(least, most), model | {"current_basis": int(basis)}
    said = round(full / 2 * rng.uniform(0.8, 1.2), 3)
    low, high = CURRENTS[basis]
    return said * rng.uniform(low, high), model | {"speech_current_a": said, "current_basis": int(basis)}
