"""What is computed of a subject, and how it is judged."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

from .values import NAN, Bands

Subject = tuple[str, int]
"""Kind of thing, in a word, and its id."""


class Judged(IntEnum):
    WITHIN, NEAR, CANNOT_TELL, PROBABLY_PAST, PAST = range(5)


@dataclass(frozen=True)
class Rule:
    """at_least: the figure must not fall below the limit. near: fraction of the limit, or ``near_margin``."""

    at_least: bool = False
    near: float | None = 0.1
    near_margin: float | None = None
    advice: bool = False


_COUNT = Rule(near=None)
RULES: dict[str, Rule] = {
    "supply_current": Rule(),
    "wiring_class": _COUNT,
    "run_voltage": Rule(at_least=True),
    "run_current": Rule(),
    "conductor_current": Rule(),
    "supply_current_full_output": Rule(advice=True),
    "run_voltage_full_output": Rule(at_least=True, advice=True),
    "run_current_full_output": Rule(advice=True),
    "conductor_current_full_output": Rule(advice=True),
    "no_feed": _COUNT,
    "supplies_paralleled": _COUNT,
    "supply_over_voltage": Rule(),
    "output_speakers": Rule(),
    "audio_level": Rule(at_least=True, near_margin=3.0),  # near at −3 dB, over at −6 dB
    "other_zone": _COUNT,
    "amplifier_load": Rule(),
    "line_impedance": Rule(at_least=True),
    "line_loss": Rule(near_margin=2.0),  # near at 1 dB, over at 3 dB
    "poe_allocated": Rule(),
    "poe_one_supply_lost": Rule(),
    "poe_measured": Rule(),
    "port_power": Rule(),
    "port_type": _COUNT,
    "endpoint_cable": Rule(),
    "row_used_twice": _COUNT,
    "polarity_reversed": _COUNT,
    "audio_reversed": _COUNT,
    "clip_out": _COUNT,
    "dc_on_audio": _COUNT,
    "audio_with_dc": Rule(near=None, advice=True),
    "wire_gauge": _COUNT,
    "stranded_on_idc": _COUNT,
    "address_used_twice": _COUNT,
    "reading_disagrees": _COUNT,
    "voltage_disagrees": _COUNT,
    "cannot_compute": _COUNT,
}

NO_FINDING = {code for code in RULES if code.endswith("_full_output")}
"""Figures that are shown and open no finding."""


class Spot(NamedTuple):
    """A place that may be named as deciding an estimate: value and limit there, and its id."""

    value: float
    limit: float
    id: int


NEVER = (False, False, False)


@dataclass(frozen=True)
class Figure:
    """One limit of one subject. bands, limit: in the unit of the limit, NaN not known.

    where: ids of what may be named as deciding, those that tie included; None: nothing is. or_else: bands
    and limits that are as right, where what is judged ties with another. spots: instead of these three, where
    each estimate is decided at a place of its own, by estimate the places that tie; none where nothing
    decides it. overloaded: by estimate, it has no solution. bound: it may be harsher. undecided: so close to
    collapse that nothing is said.
    """

    subject: Subject
    code: str
    bands: Bands
    limit: float
    where: frozenset[int] | None = None
    or_else: tuple[tuple[Bands, float], ...] = ()
    spots: tuple[tuple[Spot, ...], ...] = ()
    overloaded: tuple[bool, ...] = NEVER
    bound: tuple[bool, ...] = NEVER
    undecided: bool = False

    @property
    def limits(self) -> Bands:
        """The limit of each estimate. One that no place decides has one where it is at least a bound."""
        if not self.spots:
            return Bands(self.limit, self.limit, self.limit)
        without_place = (none or bound for none, bound in zip(self.overloaded, self.bound, strict=True))
        return Bands(
            *(
                spots[0].limit if spots else self.limit if limited else NAN
                for spots, limited in zip(self.spots, without_place, strict=True)
            )
        )

    @property
    def ties(self) -> bool:
        """Whether something else could be named as well, with other numbers."""
        return bool(self.or_else) or any(len({spot.limit for spot in of}) > 1 for of in self.spots)

    @property
    def key(self) -> tuple[str, int, str]:
        return (*self.subject, self.code)

    def _beyond(self) -> tuple[bool, bool, bool]:
        """By estimate, whether it is overloaded or beyond its own limit."""
        rule = RULES[self.code]
        low, likely, high = (
            none or is_past(value, limit, rule)
            for value, limit, none in zip(self.bands, self.limits, self.overloaded, strict=True)
        )
        return low, likely, high

    @property
    def past(self) -> tuple[bool, bool, bool]:
        """Whether low, likely and high are past. An unknown estimate is past where a kinder one is."""
        low, likely, high = self._beyond()
        likely = likely or (math.isnan(self.bands.likely) and low)
        return low, likely, high or (math.isnan(self.bands.high) and likely)

    @property
    def verdict(self) -> Judged:
        rule = RULES[self.code]
        low, likely, high = self._beyond()
        if low:
            found = Judged.PAST
        elif likely:
            found = Judged.PROBABLY_PAST
        elif high or self.bound[2] or math.isnan(self.bands.high) or any(map(math.isnan, self.limits)):
            found = Judged.CANNOT_TELL
        else:
            found = Judged.NEAR if self._is_near(rule) else Judged.WITHIN
        return min(found, Judged.NEAR) if rule.advice else found

    def _is_near(self, rule: Rule) -> bool:
        threshold = self.near_at(rule)
        return threshold is not None and is_past(self.bands.high, threshold, rule)

    def near_at(self, rule: Rule) -> float | None:
        limit = self.limits.high
        if rule.near_margin is not None:
            margin = rule.near_margin
        elif rule.near is not None:
            margin = abs(limit) * rule.near
        else:
            return None
        return limit + margin if rule.at_least else limit - margin

    def on_a_knife_edge(self, width: float = 1e-10) -> bool:
        """Some estimate lies so close to where its verdict changes that the last bits of a sum decide. That
        is not at the limit itself, which is not past, but 1e-9 of it beyond; a count is never so close."""
        if self.undecided:
            return True
        rule = RULES[self.code]
        for edge in (*self.limits, self.near_at(rule)):
            if edge is None or math.isnan(edge):
                continue
            turns = edge - abs(edge) * 1e-9 if rule.at_least else edge + abs(edge) * 1e-9
            for value in self.bands:
                if value != edge and abs(value - turns) <= width * max(abs(edge), 1.0):
                    return True
        return False


def is_past(value: float, limit: float, rule: Rule) -> bool:
    """Beyond the limit by more than 1e-9 of it."""
    slack = abs(limit) * 1e-9
    return value < limit - slack if rule.at_least else value > limit + slack


def worst(values: Iterable[float], *, largest: bool) -> float:
    """The largest or smallest of those that are known; NaN of none."""
    known = [value for value in values if not math.isnan(value)]
    if not known:
        return NAN
    return max(known) if largest else min(known)


def tied(values: dict[int, float], *, largest: bool) -> list[int]:
    """Keys of the largest (smallest) known value and of those that differ from it by rounding only, in
    order."""
    extreme = worst(values.values(), largest=largest)
    slack = 1e-11 * max(abs(extreme), 1e-12)
    return [key for key, value in values.items() if abs(value - extreme) <= slack]


def worst_spots(spots: list[tuple[float, Spot]], *, largest: bool) -> tuple[Spot, ...]:
    """The places of the largest (smallest) of some scores, the worst first; with it those that differ from it
    by less than 2e-9, which may be named as well. Scores that are not known are never chosen."""
    known = sorted(
        ((score, spot) for score, spot in spots if not math.isnan(score)),
        key=lambda one: -one[0] if largest else one[0],
    )
    return tuple(spot for score, spot in known if abs(score - known[0][0]) <= 2e-9 * max(1.0, abs(score)))
