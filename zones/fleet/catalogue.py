"""The invented devices and cables of a fleet. Ratings are plausible (field experience, no source)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Final

from sites.models import DeviceModel

Kind = DeviceModel.Kind


class Model(IntEnum):
    """Position in ``MODELS``."""

    CEILING = 0
    WALL = 1
    HORN = 2
    LARGE_HORN = 3
    LINE_CEILING = 4
    LINE_HORN = 5
    LOW_WALL = 6
    GATEWAY_2 = 7
    GATEWAY_4 = 8
    NETWORK_SPEAKER = 9
    SUPPLY_1 = 10
    SUPPLY_2 = 11
    SUPPLY_4 = 12
    AMPLIFIER_60 = 13
    AMPLIFIER_120 = 14
    AMPLIFIER_250 = 15
    LOW_AMPLIFIER = 16
    SWITCH_8 = 17
    SWITCH_24 = 18
    WALL_AFTER = 19


class Cable(IntEnum):
    """Position in ``CABLES``."""

    CATEGORY_24 = 0
    CATEGORY_23 = 1
    LINE_18 = 2
    LINE_16 = 3


@dataclass(frozen=True)
class Entry:
    """A row of the catalogue: name, and fields as the record names them."""

    name: str
    fields: dict[str, Any]


def _speaker(kind: Kind, idle_a: float, full_a: float) -> dict[str, Any]:
    return {
        "kind": kind,
        "idle_current_a": idle_a,
        "full_output_current_a": full_a,
        "minimum_voltage_v": 18.0,
        "input_impedance_ohm": 47_000.0,
    }


def _gateway(outputs: int) -> dict[str, Any]:
    return {
        "kind": Kind.GATEWAY,
        "output_count": outputs,
        "output_impedance_ohm": 100.0,
        "output_speakers_max": 40,
        "poe_class": 2,
        "idle_poe_w": 4.0,
        "paging_poe_w": 5.0,
    }


def _supply(rated_a: float) -> dict[str, Any]:
    return {
        "kind": Kind.SUPPLY,
        "rated_current_a": rated_a,
        "no_load_voltage_v": 24.4,
        "rated_load_voltage_v": 24.0,
        "voltage_tolerance": 0.02,
        "class_2_marked": True,
    }


def _amplifier(rated_w: float) -> dict[str, Any]:
    return {"kind": Kind.AMPLIFIER, "rated_power_w": rated_w, "line_voltages_v": [70.7, 100.0]}


MODELS: Final = (
    Entry("Fleet ceiling speaker", _speaker(Kind.CEILING_SPEAKER, 0.015, 0.050)),
    Entry("Fleet wall speaker", _speaker(Kind.WALL_SPEAKER, 0.020, 0.080)),
    Entry("Fleet horn, 5 W", _speaker(Kind.HORN, 0.020, 0.250)),
    Entry("Fleet horn, 15 W", _speaker(Kind.HORN, 0.030, 0.700)),
    Entry("Fleet ceiling speaker, line", {"kind": Kind.CEILING_SPEAKER, "taps_w": [0.5, 1.0, 2.0, 5.0]}),
    Entry("Fleet horn, line", {"kind": Kind.HORN, "taps_w": [7.5, 15.0, 30.0]}),
    Entry("Fleet wall speaker, 8 ohm", {"kind": Kind.WALL_SPEAKER, "nominal_impedance_ohm": 8.0}),
    Entry("Fleet gateway, 2 outputs", _gateway(2)),
    Entry("Fleet gateway, 4 outputs", _gateway(4)),
    Entry(
        "Fleet network speaker",
        {"kind": Kind.NETWORK_SPEAKER, "poe_class": 3, "idle_poe_w": 3.0, "paging_poe_w": 9.0},
    ),
    Entry("Fleet supply, 1 A", _supply(1.0)),
    Entry("Fleet supply, 2 A", _supply(2.0)),
    Entry("Fleet supply, 4 A", _supply(4.0)),
    Entry("Fleet amplifier, 60 W", _amplifier(60.0)),
    Entry("Fleet amplifier, 120 W", _amplifier(120.0)),
    Entry("Fleet amplifier, 250 W", _amplifier(250.0)),
    Entry(
        "Fleet amplifier, low impedance",
        {"kind": Kind.AMPLIFIER, "rated_power_w": 60.0, "minimum_impedance_ohm": 2.0},
    ),
    Entry("Fleet switch, 8 ports", {"kind": Kind.SWITCH, "port_count": 8, "poe_budget_w": 65.0}),
    Entry(
        "Fleet switch, 24 ports",
        {"kind": Kind.SWITCH, "port_count": 24, "poe_budget_w": 370.0, "poe_budget_one_lost_w": 185.0},
    ),
    Entry("Fleet wall speaker, later make", _speaker(Kind.WALL_SPEAKER, 0.018, 0.076)),
)

CABLES: Final = (
    Entry("Fleet category cable, 24 AWG", {"gauge_awg": 24, "pair_count": 4, "category": True}),
    Entry("Fleet category cable, 23 AWG", {"gauge_awg": 23, "pair_count": 4, "category": True}),
    Entry("Fleet line cable, 18 AWG", {"gauge_awg": 18, "pair_count": 1, "category": False}),
    Entry("Fleet line cable, 16 AWG", {"gauge_awg": 16, "pair_count": 1, "category": False}),
)

SPEECH_A: Final = {Model.CEILING: 0.025, Model.WALL: 0.040, Model.HORN: 0.125, Model.LARGE_HORN: 0.350}
"""Half of full output, never under idle [A]: what the plan lays runs out for."""
