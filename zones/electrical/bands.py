"""Low, likely and high of a value, from the value and its basis.

Common practice, no source: every factor (``Factors``) is a default.
Bands are arrays with a first axis of three: 0 low (kindest), 1 likely, 2 high (harshest).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LOW, LIKELY, HIGH = 0, 1, 2
CATEGORY_HIGH_RESISTANCE = 1.114
"""Largest conductor resistance over nominal 24 AWG: 9.38 Ω/100 m (TIA-568) over 8.42 Ω/100 m."""


class Basis(IntEnum):
    UNKNOWN = 0
    GUESSED = 1
    DRAWING = 2
    MARKED = 3
    MEASURED = 4


class DeviceKind(IntEnum):
    UNKNOWN = 0
    CEILING_SPEAKER = 1
    WALL_SPEAKER = 2
    HORN = 3


@dataclass(frozen=True)
class Factors:
    """Editable factors. Fractions are dimensionless; lengths [m], currents [A], taps [W]."""

    # low and high as a multiple of the likely value, by basis
    length_guessed_low: float = 0.7
    length_guessed_high: float = 1.5
    length_drawing_low: float = 0.95
    length_drawing_high: float = 1.4
    length_marked_low: float = 0.95
    length_marked_high: float = 1.05
    length_measured_low: float = 0.98
    length_measured_high: float = 1.02
    current_guessed_low: float = 0.6
    current_guessed_high: float = 1.6
    current_drawing_low: float = 0.8
    current_drawing_high: float = 1.3
    current_marked_low: float = 0.85
    current_marked_high: float = 1.15
    current_measured_low: float = 0.95
    current_measured_high: float = 1.05
    # where the value is not recorded
    unknown_segment_low_m: float = 4.0
    unknown_segment_likely_m: float = 8.0
    unknown_segment_high_m: float = 15.0
    unknown_home_run_low_m: float = 15.0
    unknown_home_run_likely_m: float = 40.0
    unknown_home_run_high_m: float = 90.0
    unknown_speaker_low_a: float = 0.015  # at speech
    unknown_speaker_likely_a: float = 0.025
    unknown_speaker_high_a: float = 0.050
    unknown_horn_low_a: float = 0.060
    unknown_horn_likely_a: float = 0.150
    unknown_horn_high_a: float = 0.350
    unknown_speaker_tap_low_w: float = 0.5
    unknown_speaker_tap_likely_w: float = 1.0
    unknown_speaker_tap_high_w: float = 5.0
    unknown_horn_tap_low_w: float = 7.5
    unknown_horn_tap_likely_w: float = 15.0
    unknown_horn_tap_high_w: float = 30.0
    unknown_idle_of_speech: float = 0.5
    # speech where only full output is stated, and its low and high as a multiple of that
    speech_of_full_output: float = 0.5
    speech_of_full_output_low: float = 0.8
    speech_of_full_output_high: float = 1.3
    # what limits are judged by
    loading_fraction: float = 0.8
    conductor_rating_a: float = 1.0
    speakers_per_output: float = 40.0
    audio_loss_db: float = 6.0
    line_loss_db: float = 3.0
    poe_usage_threshold: float = 0.8
    nominal_supply_v: float = 24.0

    def with_values(self, values: dict[str, float]) -> Factors:
        """These factors with some replaced. Raises ValueError naming a factor that does not exist."""
        known = self.__dataclass_fields__
        unknown = sorted(values.keys() - known.keys())
        if unknown:
            raise ValueError(f"no such factor: {', '.join(unknown)}; known: {', '.join(sorted(known))}")
        return replace(self, **values)

    def table(self, quantity: str) -> FloatArray:
        """(3, 5) multiples of the likely value: band by ``Basis``; the column of UNKNOWN is 1."""
        out = np.ones((3, 5))
        for basis in (Basis.GUESSED, Basis.DRAWING, Basis.MARKED, Basis.MEASURED):
            out[LOW, basis] = getattr(self, f"{quantity}_{basis.name.lower()}_low")
            out[HIGH, basis] = getattr(self, f"{quantity}_{basis.name.lower()}_high")
        return out

    def unknown(self, stem: str, unit: str) -> FloatArray:
        """(3,) low, likely and high of an unrecorded value: ``unknown("unknown_segment", "m")``."""
        names = f"{stem}_low_{unit}", f"{stem}_likely_{unit}", f"{stem}_high_{unit}"
        return np.array(attrgetter(*names)(self))


def lengths(
    value_m: FloatArray, basis: IntArray, home_run: NDArray[np.bool_], factors: Factors
) -> FloatArray:
    """Banded segment lengths.

    value_m: (n,) [m], NaN where unknown; basis: (n,) of ``Basis``; home_run: (n,) True for the segment from
    the block. Returns (3, n) [m].

    >>> lengths(np.array([10.0, np.nan]), np.array([2, 0]), np.array([False, True]), Factors()).tolist()
    [[9.5, 15.0], [10.0, 40.0], [14.0, 90.0]]
    """
    banded = value_m * factors.table("length")[:, basis]
    unknown = np.isnan(value_m) | (basis == Basis.UNKNOWN)
    blank = np.where(
        home_run,
        factors.unknown("unknown_home_run", "m")[:, None],
        factors.unknown("unknown_segment", "m")[:, None],
    )
    return np.where(unknown, blank, banded)


def by_kind(device_kind: IntArray, factors: Factors, unit: str, infix: str = "") -> FloatArray:
    """(3, n) low, likely, high of an unrecorded current at speech [A], or tap [W] (infix ``_tap``), by device
    kind. A wall speaker counts as a ceiling speaker; an unknown kind is likely a ceiling speaker, and at most
    a horn.

    device_kind: (n,) of ``DeviceKind``; unit: "a" or "w".

    >>> by_kind(np.array([DeviceKind.UNKNOWN]), Factors(), "a")[:, 0].tolist()
    [0.015, 0.025, 0.35]
    """
    horn = factors.unknown(f"unknown_horn{infix}", unit)[:, None]
    speaker = factors.unknown(f"unknown_speaker{infix}", unit)[:, None]
    out = np.where(device_kind == DeviceKind.HORN, horn, speaker)
    out[HIGH] = np.where(device_kind == DeviceKind.UNKNOWN, horn[HIGH], out[HIGH])
    return out


def loads(value: FloatArray, basis: IntArray, unknown: FloatArray, factors: Factors) -> FloatArray:
    """Banded load of one device each: currents [A], or watts in the current column.

    value: (n,) NaN where unknown; basis: (n,); unknown: (3, n) band of those that are not recorded. Returns
    (3, n) [unit of value].

    >>> loads(np.array([0.04]), np.array([4]), np.zeros((3, 1)), Factors()).round(4).tolist()
    [[0.038], [0.04], [0.042]]
    """
    banded = value * factors.table("current")[:, basis]
    return np.where(np.isnan(value) | (basis == Basis.UNKNOWN), unknown, banded)
