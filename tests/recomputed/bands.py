"""Low, likely and high, as three plain floats (domain reference, section 2, the table of bases)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from .record import Record, Row

LOW, LIKELY, HIGH = 0, 1, 2
THREE: Final = (LOW, LIKELY, HIGH)
Band = tuple[float, float, float]

UNKNOWN, GUESSED, DRAWING, MARKED, MEASURED = range(5)
_WORDS = {GUESSED: "guessed", DRAWING: "drawing", MARKED: "marked", MEASURED: "measured"}
HORN: Final = 3
DEVICE_KINDS: Final = {"ceiling_speaker": 1, "wall_speaker": 2, "horn": HORN}

# The defaults of the domain reference under the names by which the record changes them
DEFAULTS: Final = {
    "length_measured_low": 0.98, "length_measured_high": 1.02,
    "length_marked_low": 0.95, "length_marked_high": 1.05,
    "length_drawing_low": 0.95, "length_drawing_high": 1.4,
    "length_guessed_low": 0.7, "length_guessed_high": 1.5,
    "current_measured_low": 0.95, "current_measured_high": 1.05,
    "current_marked_low": 0.85, "current_marked_high": 1.15,
    "current_drawing_low": 0.8, "current_drawing_high": 1.3,
    "current_guessed_low": 0.6, "current_guessed_high": 1.6,
    "unknown_piece_low_m": 4.0, "unknown_piece_likely_m": 8.0, "unknown_piece_high_m": 15.0,
    "unknown_home_run_low_m": 15.0, "unknown_home_run_likely_m": 40.0, "unknown_home_run_high_m": 90.0,
    "unknown_speaker_low_a": 0.030, "unknown_speaker_likely_a": 0.050, "unknown_speaker_high_a": 0.090,
    "unknown_horn_low_a": 0.120, "unknown_horn_likely_a": 0.250, "unknown_horn_high_a": 0.500,
    "unknown_speaker_tap_low_w": 0.5, "unknown_speaker_tap_likely_w": 1.0, "unknown_speaker_tap_high_w": 5.0,
    "unknown_horn_tap_low_w": 7.5, "unknown_horn_tap_likely_w": 15.0, "unknown_horn_tap_high_w": 30.0,
    "unknown_idle_of_speech": 0.5, "speech_of_full_tone": 0.5, "loading_fraction": 0.8,
    "conductor_rating_a": 1.0, "speakers_per_output": 40.0, "audio_loss_db": 6.0, "line_loss_db": 3.0,
    "poe_usage_threshold": 0.8, "nominal_supply_v": 24.0,
}  # fmt: skip

UNKNOWN_GAUGES: Final = (22, 24, 26)
CATEGORY_HIGH: Final = 1.114


def factor(record: Record, name: str) -> float:
    return record.factors.get(name, DEFAULTS[name])


def each(function: Callable[[int], float]) -> Band:
    return function(LOW), function(LIKELY), function(HIGH)


def of_basis(record: Record, quantity: str, basis: int) -> Band:
    """Multiples of the likely value."""
    word = _WORDS[basis]
    return factor(record, f"{quantity}_{word}_low"), 1.0, factor(record, f"{quantity}_{word}_high")


def unknown(record: Record, stem: str, unit: str) -> Band:
    low, likely, high = (factor(record, f"{stem}_{word}_{unit}") for word in ("low", "likely", "high"))
    return low, likely, high


def length_m(record: Record, value: float | None, basis: int, *, home_run: bool) -> Band:
    if value is None or basis == UNKNOWN:
        return unknown(record, "unknown_home_run" if home_run else "unknown_piece", "m")
    of_it = of_basis(record, "length", basis)
    return each(lambda band: value * of_it[band])


def device_kind(record: Record, facts: Row) -> int:
    """The kind of its model where that is known; a model that is no speaker is a device of unknown kind."""
    model = record.model(facts)
    return DEVICE_KINDS.get(model["kind"], 0) if model else int(facts["device_kind"])


def unknown_load(record: Record, kind: int, unit: str, tap: str = "") -> Band:
    return unknown(record, f"unknown_{'horn' if kind == HORN else 'speaker'}{tap}", unit)


def conductor_ohm_per_m(record: Record, cable_id: int | None) -> Band:
    """Of one conductor, at the site's design temperature; the largest that its standard allows is the high
    one of category cable."""
    cable = record.cables.get(cable_id or 0, {})
    gauge = cable.get("gauge_awg")
    warm = 1 + 0.00393 * (record.site["design_temperature_c"] - 20)
    if gauge is None:
        return each(lambda band: copper_ohm_per_m(UNKNOWN_GAUGES[band]) * warm)
    worst = CATEGORY_HIGH if cable["category"] else 1.0
    return each(lambda band: copper_ohm_per_m(gauge) * warm * (worst if band == HIGH else 1.0))


def copper_ohm_per_m(gauge_awg: float) -> float:
    """ASTM B258 (diameter) and IEC 60028 (1/58 Ω·mm²/m at 20 °C)."""
    diameter_mm = 0.127 * 92 ** ((36 - gauge_awg) / 39)
    return 1 / 58 / (3.141592653589793 * diameter_mm**2 / 4)
