"""Axes of drawings over the years: values upwards, days to the right; and the hatch of a range."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta
from typing import Final

from django.utils.safestring import SafeString

from api.pages.days import written

from .svg import INK, LINE, element, number, text

_IN_VIEW: Final = frozenset({"V", "dB", "Ω", "AWG"})
"""Units of figures whose distance from 0 says little."""
_TICKS: Final = 4
_LABEL: Final = 88.0
"""The width that the first and the last day take."""
_PREFIXES: Final = ((1e9, "G"), (1e6, "M"), (1e3, "k"))
"""Of ohms alone: those of insulation are millions."""


def scale(unit: str, known: Iterable[float], *, from_0: bool = True) -> tuple[float, float]:
    """The least and the greatest value in view; nothing below 0 where no value is. from_0: amperes and watts
    begin at 0."""
    values = list(known)
    least, most = min(values), max(values)
    if from_0 and unit not in _IN_VIEW:
        least, most = min(least, 0.0), max(most, 0.0)
        return least, most + 0.1 * ((most - least) or 10.0)
    pad = 0.15 * (most - least) or 0.1 * abs(most) or 1.0
    return max(least - pad, 0.0) if least >= 0 else least - pad, most + pad


def value_axis(
    unit: str, low: float, high: float, y: Callable[[float], float], left: float, right: float
) -> Iterator[SafeString]:
    """y: where a value stands."""
    times, shown_unit = _prefixed(unit, high)
    step = _round_step((high - low) / _TICKS)
    if not unit:
        step = max(step, 1.0)  # of what is counted there is no half
    tick = math.ceil(low / step) * step
    while tick <= high + step * 1e-6:
        shown = f"{round(tick / times, 9) + 0.0:g} {shown_unit}".strip()
        yield element(
            "path", class_="line", d=f"M{number(left)} {number(y(tick))}H{number(right)}", stroke=LINE
        )
        yield text(left - 6, y(tick) + 4.5, shown, anchor="end")
        tick += step


def _prefixed(unit: str, most: float) -> tuple[float, str]:
    """How many of the unit one of what is shown is: ``(1e6, "MΩ")``."""
    if unit == "Ω":
        return next(((times, f"{name}Ω") for times, name in _PREFIXES if most >= times), (1.0, unit))
    return 1.0, unit


def _round_step(about: float) -> float:
    """1, 2 or 5 times a power of ten, at least as great."""
    power = 10.0 ** math.floor(math.log10(about))
    return next(power * times for times in (1.0, 2.0, 5.0, 10.0) if power * times >= about * 0.999)


def day_axis(
    start: date,
    until: date,
    first: float,
    last: float,
    bottom: float,
    *,
    begin: float | None = None,
    end: float | None = None,
) -> Iterator[SafeString]:
    """The first and the last day, and each year between them that has room. first, last: where those days
    are; begin, end: of the line, where it is longer."""
    span = max((until - start).days, 1)
    left, right = first if begin is None else begin, last if end is None else end
    yield element("path", class_="ink", d=f"M{number(left)} {number(bottom)}H{number(right)}", stroke=INK)
    yield text(left, bottom + 16, written(start))
    if until <= start + timedelta(days=1):
        return
    yield text(right, bottom + 16, written(until), anchor="end")
    free = left + _LABEL
    for year in range(start.year + 1, until.year + 1):
        x = first + (last - first) * (date(year, 1, 1) - start).days / span
        yield element("path", class_="ink", d=f"M{number(x)} {number(bottom)}v4", stroke=INK)
        if free + 18 <= x <= right - _LABEL - 18:
            yield text(x, bottom + 16, str(year), anchor="middle")
            free = x + 18


def hatch(name: str) -> SafeString:
    """A pattern of that name, for bands from the low to the high estimate."""
    stripe = element("path", class_="line", d="M0 6L6 0", stroke=LINE, stroke_width=1.25)
    pattern = element("pattern", stripe, id=name, width=6.0, height=6.0, patternUnits="userSpaceOnUse")
    return element("defs", pattern)
