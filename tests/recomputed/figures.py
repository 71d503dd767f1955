"""Figures: what is computed of a subject for a limit, and the verdict on it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from .bands import HIGH, LIKELY, LOW, THREE, Band

NAN: Final = math.nan

RUN, OUTPUT, SUPPLY, AMPLIFIER, SWITCH, PORT, ENDPOINT, BLOCK, SITE = range(1, 10)
WITHIN, NEAR, CANNOT_TELL, PROBABLY_OVER, OVER = range(5)

Key = tuple[str, int, int]
"""Code of the limit, kind and id of the subject."""


@dataclass(frozen=True)
class Judging:
    """at_least: the figure must not fall below the limit. near: the distance from the limit at which near
    begins, as a fraction of the limit or in the unit of the figure; 0: never near."""

    at_least: bool = False
    near_fraction: float = 0.10
    near_margin: float | None = None
    advice: bool = False


NEVER_NEAR: Final = Judging(near_margin=0.0)
JUDGING: Final = {
    "supply_current": Judging(),
    "class_2_power": NEVER_NEAR,
    "run_voltage": Judging(at_least=True),
    "run_current": Judging(),
    "conductor_current": Judging(),
    "output_speakers": Judging(),
    "audio_level": Judging(at_least=True, near_margin=3.0),
    "other_zone": NEVER_NEAR,
    "amplifier_load": Judging(),
    "line_impedance": Judging(at_least=True),
    "line_loss": Judging(near_margin=2.0),
    "poe_allocated": Judging(),
    "poe_one_supply_lost": Judging(),
    "poe_measured": Judging(),
    "port_power": Judging(),
    "endpoint_cable": Judging(),
    "row_used_twice": NEVER_NEAR,
    "polarity_reversed": NEVER_NEAR,
    "audio_with_dc": Judging(near_margin=0.0, advice=True),
    "wire_gauge": NEVER_NEAR,
    "address_used_twice": NEVER_NEAR,
    "reading_disagrees": NEVER_NEAR,
    "cannot_compute": NEVER_NEAR,
}


@dataclass(frozen=True)
class Figure:
    """bands, limit: [unit of the limit], NaN not known."""

    bands: Band
    limit: float

    def past(self, code: str) -> tuple[bool, bool, bool]:
        """Of the low, likely and high estimate; one that is not known is no kinder than the kinder ones."""
        at_least = JUDGING[code].at_least
        low, likely, high = (beyond(self.bands[band], self.limit, at_least=at_least) for band in THREE)
        likely = likely or (low and math.isnan(self.bands[LIKELY]))
        high = high or (likely and math.isnan(self.bands[HIGH]))
        return low, likely, high

    def verdict(self, code: str) -> int:
        judging = JUDGING[code]
        low, likely, high = (
            beyond(self.bands[band], self.limit, at_least=judging.at_least) for band in (LOW, LIKELY, HIGH)
        )
        if low:
            verdict = OVER
        elif likely:
            verdict = PROBABLY_OVER
        elif high or math.isnan(self.bands[HIGH]) or math.isnan(self.limit):
            verdict = CANNOT_TELL
        elif self._near(judging):
            verdict = NEAR
        else:
            verdict = WITHIN
        return min(verdict, NEAR) if judging.advice else verdict

    def _near(self, judging: Judging) -> bool:
        margin = judging.near_margin
        if margin is None:
            margin = abs(self.limit) * judging.near_fraction
        if margin == 0:
            return False
        begins = self.limit + margin if judging.at_least else self.limit - margin
        return beyond(self.bands[HIGH], begins, at_least=judging.at_least)

    def on_an_edge(self, code: str) -> bool:
        """Whether some estimate lies so near a threshold that the last bits of a sum decide."""
        judging = JUDGING[code]
        margin = abs(self.limit) * judging.near_fraction if judging.near_margin is None else judging.near_margin
        thresholds = [self.limit, self.limit + margin if judging.at_least else self.limit - margin]
        return any(
            0 < abs(abs(value - threshold) - 1e-9 * abs(threshold)) < 1e-10 * abs(threshold)
            for value in self.bands
            for threshold in thresholds
        )


def beyond(value: float, limit: float, *, at_least: bool) -> bool:
    """Past by more than 1e-9 of the limit. NaN is past nothing."""
    slack = 1e-9 * abs(limit)
    return value < limit - slack if at_least else value > limit + slack


def or_nan(value: float | None) -> float:
    return NAN if value is None else float(value)
