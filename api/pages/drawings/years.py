"""The years of a figure: what it was from its commissioning on, its limit, and the changes that made it so.

A figure stays what it is until somebody changes something, so it and its limit are steps and never slopes.
Amperes and watts begin at 0; of volts and decibels the limit is in view. Each change has a numbered mark
above its day: a circle, or a square where the record was corrected; filled where the figure crossed its
limit. The numbers are those of the list below.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.utils.safestring import SafeString

from zones.limits.registry import limit_by_code

from .axes import day_axis, hatch, scale, value_axis
from .svg import INK, LINE, PAPER, drawing, element, number, text

WIDTH: Final = 328.0
"""Width of a phone of 360 px within its margins, so that the latest change is in view."""
PLOT: Final = 120.0
LEFT: Final = 58.0
RIGHT: Final = WIDTH - 4.0
LANE: Final = 24.0
BELOW: Final = 46.0
_MOST_WORDS: Final = 15
"""Characters of the limit beside its key."""


@dataclass
class Mark:
    """A change, or several that lie too close to stand apart: from the number `first` to `last`."""

    first: int
    last: int
    x: float
    filled: bool
    square: bool
    lane: int = 0

    @property
    def said(self) -> str:
        return str(self.first) if self.first == self.last else f"{self.first}–{self.last}"

    @property
    def width(self) -> float:
        return max(20.0, 8.0 * len(self.said) + 8)


def years(
    line: Mapping[str, Any],
    until: date,
    *,
    crossed: Collection[int],
    title: str,
    description: str,
    first: int = 1,
) -> SafeString:
    """The drawing of a line of a zone's history, as the API answers it, to the end of a day. crossed: the
    places of the entries that crossed the limit. first: the number of the first entry. Blank where no entry
    has a number."""
    entries: Sequence[Mapping[str, Any]] = line["entries"]
    in_view = _in_view(line, entries)
    if in_view is None:
        return SafeString("")
    low, high = in_view
    days = [date.fromisoformat(one["day"]) for one in entries]
    span = max((until - days[0]).days, 1)
    at = [LEFT + (RIGHT - LEFT) * (day - days[0]).days / span for day in days]
    marks = _marks(entries, at, crossed, first)
    top = LANE * (1 + max(one.lane for one in marks))
    height = top + PLOT + BELOW

    def y(value: float) -> float:
        return top + PLOT * (1 - (value - low) / (high - low))

    ends = [*at[1:], RIGHT]
    name = f"hatch-{line['code']}-{line['subject']['kind']}-{line['subject']['id']}"
    return drawing(
        "years",
        title,
        description,
        WIDTH,
        height,
        hatch(name),
        *value_axis(line["unit"], low, high, y, LEFT, RIGHT),
        *_band(entries, at, ends, y, name),
        _steps([one["limit"] for one in entries], at, ends, y, css="ink limit", dash="6 3", width=1.5),
        _steps([one["likely"] for one in entries], at, ends, y, css="ink likely", dash=None, width=2.5),
        *_not_known(entries, at, ends, top),
        *(part for one in marks for part in _mark(one, top)),
        *day_axis(days[0], until, LEFT, RIGHT, top + PLOT),
        *_key(_limit_words(line, entries), name if any(map(_has_band, entries)) else "", height),
    )


def _in_view(line: Mapping[str, Any], entries: Sequence[Mapping[str, Any]]) -> tuple[float, float] | None:
    """The least and the greatest value in view."""
    known = [
        one[name] for one in entries for name in ("low", "likely", "high", "limit") if one[name] is not None
    ]
    return scale(line["unit"], known) if known else None


def _steps(
    values: Sequence[float | None],
    at: Sequence[float],
    ends: Sequence[float],
    y: Any,
    *,
    css: str,
    dash: str | None,
    width: float,
) -> SafeString:
    """Level from each change to the next, and upright at it; broken where the value is not known."""
    path, before = [], None
    for value, start, end in zip(values, at, ends, strict=True):
        if value is not None:
            joined = f"V{number(y(value))}" if before is not None else f"M{number(start)} {number(y(value))}"
            path.append(f"{joined}H{number(end)}")
        before = value
    return element(
        "path",
        d="".join(path),
        class_=css,
        fill="none",
        stroke=INK,
        stroke_width=width,
        stroke_dasharray=dash,
    )


def _band(
    entries: Sequence[Mapping[str, Any]], at: Sequence[float], ends: Sequence[float], y: Any, name: str
) -> Iterator[SafeString]:
    for one, start, end in zip(entries, at, ends, strict=True):
        if not _has_band(one):
            continue
        upper, lower = sorted((y(one["low"]), y(one["high"])))
        yield element(
            "rect",
            class_="band",
            x=float(start),
            y=float(upper),
            width=float(end - start),
            height=float(lower - upper),
            fill=f"url(#{name})",
        )


def _has_band(entry: Mapping[str, Any]) -> bool:
    return None not in (entry["low"], entry["high"]) and bool(entry["low"] != entry["high"])


def _not_known(
    entries: Sequence[Mapping[str, Any]], at: Sequence[float], ends: Sequence[float], top: float
) -> Iterator[SafeString]:
    for one, start, end in zip(entries, at, ends, strict=True):
        if one["likely"] is None:
            yield text((start + end) / 2, top + PLOT / 2, "?", anchor="middle", font_weight="bold")


# --- marks --------------------------------------------------------------------------------------------------


def _marks(
    entries: Sequence[Mapping[str, Any]], at: Sequence[float], crossed: Collection[int], first: int
) -> list[Mark]:
    """Marks from left to right. Marks that touch become one where none of them crossed the limit; otherwise
    each has a lane of its own."""
    marks: list[Mark] = []
    for place, (one, x) in enumerate(zip(entries, at, strict=True)):
        mark = Mark(first + place, first + place, x, place in crossed, one["correction"] is not None)
        last = marks[-1] if marks else None
        alike = last is not None and not (last.filled or mark.filled) and last.square == mark.square
        if last is not None and alike and x - last.x < last.width / 2 + 12:
            last.last, last.x = mark.last, (last.x + x) / 2
        else:
            marks.append(mark)
    ends: list[float] = []
    for mark in marks:
        half = mark.width / 2
        mark.x = min(max(mark.x, half + 1), WIDTH - half - 1)
        left = mark.x - half
        mark.lane = next((lane for lane, end in enumerate(ends) if end + 2 <= left), len(ends))
        ends[mark.lane :] = [mark.x + half, *ends[mark.lane + 1 :]]
    return marks


def _mark(mark: Mark, top: float) -> Iterator[SafeString]:
    middle = top - LANE * mark.lane - LANE / 2
    yield element(
        "path",
        class_="line",
        d=f"M{number(mark.x)} {number(middle + 10)}V{number(top + PLOT)}",
        stroke=LINE,
        stroke_dasharray="1 3",
    )
    yield element(
        "rect",
        class_="ink mark crossed ink-fill" if mark.filled else "ink mark paper-fill",
        x=mark.x - mark.width / 2,
        y=middle - 10,
        width=mark.width,
        height=20.0,
        rx=0.0 if mark.square else 10.0,
        fill=INK if mark.filled else PAPER,
        stroke=INK,
        stroke_width=1.5,
    )
    yield text(
        mark.x,
        middle + 4.5,
        mark.said,
        anchor="middle",
        css="paper-text" if mark.filled else "",
        fill=PAPER if mark.filled else INK,
    )


# --- key -------------------------------------------------------------------------------------------------


def _key(limit: str, name: str, height: float) -> Iterator[SafeString]:
    """name: of the hatch; blank: nothing is hatched."""
    line, at = height - 10, 192 if name else 80
    yield element("path", class_="ink", d=f"M2 {number(line)}h22", stroke=INK, stroke_width=2.5)
    yield text(30, line + 4.5, "likely")
    if name:
        yield element("rect", x=80.0, y=line - 6, width=22.0, height=12.0, fill=f"url(#{name})")
        yield text(108, line + 4.5, "low to high")
    yield element(
        "path",
        class_="ink",
        d=f"M{at} {number(line)}h22",
        stroke=INK,
        stroke_width=1.5,
        stroke_dasharray="6 3",
    )
    yield text(at + 28, line + 4.5, limit)


def _limit_words(line: Mapping[str, Any], entries: Sequence[Mapping[str, Any]]) -> str:
    """``limit 1.60 A``; without its value where that changed or takes more room than there is."""
    limits = {one["limit"] for one in entries}
    said = limit_by_code(line["code"]).limit_text(limits.pop()) if len(limits) == 1 else ""
    # The site may count in another unit of length than the answer does
    if said and len(said) <= _MOST_WORDS and line["unit"] != "m":
        return said
    return "minimum" if line["limit_is"] == "at_least" else "limit"
