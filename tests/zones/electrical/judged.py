"""Every limit of the core, its figures for a plant built by hand, and the simplest such plant."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.self_amplified import FULL_OUTPUT
from zones.electrical.verdicts import Rule, Verdict

AT_LEAST = {"run_voltage", "run_voltage_full_output", "audio_level", "line_impedance"}
CODES = (
    "supply_current",
    "wiring_class",
    "run_voltage",
    "run_current",
    "conductor_current",
    "no_feed",
    "supplies_paralleled",
    "supply_over_voltage",
    "output_speakers",
    "audio_level",
    "other_zone",
    "amplifier_load",
    "line_impedance",
    "line_loss",
    "poe_allocated",
    "poe_one_supply_lost",
    "poe_measured",
    "port_power",
    "port_type",
    "endpoint_cable",
    "row_used_twice",
    "polarity_reversed",
    "audio_reversed",
    "clip_out",
    "dc_on_audio",
    "audio_with_dc",
    "wire_gauge",
    "stranded_on_idc",
    "address_used_twice",
    "reading_disagrees",
    "voltage_disagrees",
    "in_service_unproven",
    "test_overdue",
    *FULL_OUTPUT.values(),
)
RULES = tuple(
    Rule(
        code,
        at_least=code in AT_LEAST,
        near_margin=0.0 if code == "port_type" else None,
        advice=code in FULL_OUTPUT.values(),
    )
    for code in CODES
)
MEASURED, MARKED, DRAWING, GUESSED, UNKNOWN = 4, 3, 2, 1, 0


def chain_plant(count: int = 10, **point: object) -> ToyPlant:
    toy = ToyPlant()
    model, cable = toy.model(), toy.cable()
    run = toy.run(supply_index=toy.add("supplies"), output_index=toy.add("outputs"))
    defaults: dict[str, Any] = {
        "model_index": model,
        "cable_index": cable,
        "length_m": 10.0,
        "length_basis": MEASURED,
        "current_basis": MEASURED,
        "speech_current_a": 0.05,
    }
    toy.chain(run, count, **(defaults | point))
    return toy


def figures(toy: ToyPlant, step: int = 10) -> Evaluation:
    plant = toy.build()
    return evaluate(plant, p.Members.of_sites(plant, step), RULES)


def figure(found: Evaluation, code: str, subject: int = 0) -> tuple[float, float, float, float, Verdict]:
    at = (found.rule == CODES.index(code)) & (found.subject_id == subject + 1000)
    assert at.sum() == 1, f"{code} of {subject}: {at.sum()} rows"
    i = int(np.flatnonzero(at)[0])
    return found.low[i], found.likely[i], found.high[i], found.limit[i], Verdict(found.verdict[i])


def has(found: Evaluation, code: str, subject: int = 0) -> bool:
    return bool(((found.rule == CODES.index(code)) & (found.subject_id == subject + 1000)).any())
