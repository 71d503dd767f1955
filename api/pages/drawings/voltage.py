"""The voltage along a run: metres of cable to the right, volts upwards, with the least that speakers need.

Pure, from the profile of the run as the API answers it. Where the length of a segment is not recorded the
distance is broken; where there is no voltage there is no curve, and the page says why.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, NamedTuple, TypeAlias

from django.utils.safestring import SafeString

from sites.wording import shortened
from zones.electrical.conductors import FOOT_M
from zones.limits.amounts import amount

from .svg import INK, LINE, PAPER, SOFT, TEXT_PX, drawing, element, number

Point: TypeAlias = Mapping[str, Any]

WIDTH: Final = 328.0
HEIGHT: Final = 248.0
LEFT, RIGHT, TOP, BOTTOM = 40.0, WIDTH - 10.0, 14.0, HEIGHT - 44.0
BROKEN: Final = 30.0
"""Width of a segment whose length is not recorded."""
_SHARE_BROKEN: Final = 0.5
"""Share of the width that such segments may take together."""
_TICKS: Final = 5
_LONGEST_NAME: Final = 24
_BOLD: Final = 8.0
"""Width of a bold character, about."""


def voltage(
    profile: Mapping[str, Any], run: str, title: str, sentence: str, judged_id: int | None = None
) -> SafeString:
    """profile: the answer of ``GET /runs/{id}/profile``, with a voltage somewhere. title, sentence: verdict
    and words of the figure that is judged by it. judged_id: the point that decides it, which is named; None:
    the one with the lowest voltage is."""
    curve = _Curve(profile["points"], profile["voltage_v"], profile["length_unit"])
    return drawing(
        "voltage",
        f"Voltage along {run}: {title}" if title else f"Voltage along {run}",
        sentence or "The voltage at every point; the table below has each of them.",
        WIDTH,
        HEIGHT,
        *_hatch(),
        *curve.grid(),
        *curve.band(),
        *curve.lines(),
        *curve.minimums(),
        *curve.lowest(judged_id),
    )


class _Segment(NamedTuple):
    """Segment from a point, or the block, to the next. straight_on: it is on the way to the farthest
    point."""

    before: int | None
    point: Point
    straight_on: bool


@dataclass(frozen=True)
class _Curve:
    """points: parents before children. at_block: by estimate [V]."""

    points: Sequence[Point]
    at_block: Mapping[str, float | None]
    length_unit: str

    # --- where what stands ----------------------------------------------------------------------------------

    @cached_property
    def by_id(self) -> dict[int, Point]:
        return {one["id"]: one for one in self.points}

    def volts(self, point_id: int | None) -> Mapping[str, float | None]:
        """By estimate; None: those of the block."""
        if point_id is None:
            return self.at_block
        of: Mapping[str, float | None] = self.by_id[point_id]["voltage_v"]
        return of

    @cached_property
    def extent(self) -> dict[int | None, tuple[float, int]]:
        """By point: the recorded metres from the block to it, and how many segments on the way have no
        recorded length."""
        found: dict[int | None, tuple[float, int]] = {None: (0.0, 0)}
        for one in self.points:
            metres, broken = found[one["after_id"]]
            known = one["length_basis"] != "unknown"
            found[one["id"]] = (metres + one["length_m"]["likely"], broken) if known else (metres, broken + 1)
        return found

    @cached_property
    def broken_width(self) -> float:
        most = max(broken for _, broken in self.extent.values())
        return min(BROKEN, (RIGHT - LEFT) * _SHARE_BROKEN / most) if most else 0.0

    @cached_property
    def per_metre(self) -> float:
        """The scale with which every way fits."""
        scales = [
            (RIGHT - LEFT - broken * self.broken_width) / metres
            for metres, broken in self.extent.values()
            if metres > 0
        ]
        return min(scales, default=1.0)

    def x(self, point_id: int | None) -> float:
        metres, broken = self.extent[point_id]
        return LEFT + metres * self.per_metre + broken * self.broken_width

    @cached_property
    def range(self) -> tuple[float, float]:
        """Lowest and highest voltage in view: of all estimates, and every limit."""
        found = [value for value in self.at_block.values() if value is not None]
        for one in self.points:
            found += [value for value in one["voltage_v"].values() if value is not None]
            found += [one["minimum_voltage_v"]] * (one["minimum_voltage_v"] is not None)
        least, most = min(found), max(found)
        margin = max((most - least) * 0.08, 0.25)
        return least - margin, most + margin

    def y(self, volts: float) -> float:
        least, most = self.range
        return BOTTOM - (volts - least) / (most - least) * (BOTTOM - TOP)

    @cached_property
    def farthest(self) -> set[int]:
        """The points on the way to the one that lies farthest to the right."""
        on_way: set[int] = set()
        at = max((one["id"] for one in self.points), key=self.x, default=None)
        while at is not None:
            on_way.add(at)
            at = self.by_id[at]["after_id"]
        return on_way

    @cached_property
    def segments(self) -> list[_Segment]:
        return [_Segment(one["after_id"], one, one["id"] in self.farthest) for one in self.points]

    def _at(self, point_id: int | None, word: str) -> tuple[str, str] | None:
        volts = self.volts(point_id)[word]
        return None if volts is None else (number(self.x(point_id)), number(self.y(volts)))

    # --- what is drawn --------------------------------------------------------------------------------------

    def lines(self) -> Iterator[SafeString]:
        """The likely voltage; branches thin, segments without a recorded length broken."""
        for straight_on, broken in ((True, False), (True, True), (False, False), (False, True)):
            chosen = [
                one
                for one in self.segments
                if one.straight_on == straight_on and _is_broken(one.point) == broken
            ]
            path = "".join(
                f"M{begin[0]} {begin[1]}L{end[0]} {end[1]}" for begin, end in self._ends("likely", chosen)
            )
            if path:
                yield element(
                    "path", class_="ink likely" if straight_on else "ink likely branch", d=path, fill="none",
                    stroke=INK, stroke_width=2.5 if straight_on else 1.25,
                    stroke_dasharray="5 4" if broken else None, stroke_linecap="round",
                )  # fmt: skip
        dots = "".join(
            f"M{at[0]} {at[1]}h0" for one in self.points if (at := self._at(one["id"], "likely")) is not None
        )
        # Round ends of strokes without length: many points stay small
        yield element(
            "path", class_="ink dots", d=dots, fill="none", stroke=INK, stroke_width=5, stroke_linecap="round"
        )

    def _ends(
        self, word: str, segments: Sequence[_Segment]
    ) -> Iterator[tuple[tuple[str, str], tuple[str, str]]]:
        for one in segments:
            begin, end = self._at(one.before, word), self._at(one.point["id"], word)
            # Across a cut of the negative there is no current, and so no line
            if begin is not None and end is not None and not one.point["negative_cut"]:
                yield begin, end

    def band(self) -> Iterator[SafeString]:
        """The band from the low to the high estimate, segment by segment; left out where one of them has no
        number."""
        path = "".join(
            "M{} {}L{} {}L{} {}L{} {}z".format(*low[0], *low[1], *high[1], *high[0])
            for one in self.segments
            for low, high in zip(self._ends("low", [one]), self._ends("high", [one]), strict=False)
        )
        if path:
            yield element("path", class_="band", d=path, fill="url(#volts)", stroke="none")

    def minimums(self) -> Iterator[SafeString]:
        """A tick for every speaker at the least that its model needs, named once for each value."""
        with_minimum = [one for one in self.points if one["minimum_voltage_v"] is not None]
        path = "".join(
            f"M{number(self.x(one['id']) - 5)} {number(self.y(one['minimum_voltage_v']))}h10"
            for one in with_minimum
        )
        if path:
            yield element("path", class_="ink minimum", d=path, fill="none", stroke=INK, stroke_width=2)
        for value in sorted({one["minimum_voltage_v"] for one in with_minimum}):
            yield _text(LEFT + 4, self.y(value) - 4, f"needs {amount(value, 'V')}", "start")

    def lowest(self, judged_id: int | None) -> Iterator[SafeString]:
        """A ring at one point, and its name with its voltage."""
        known = [one for one in self.points if one["voltage_v"]["likely"] is not None]
        if not known:
            return
        one = next((one for one in known if one["id"] == judged_id), None)
        one = one or min(known, key=lambda each: each["voltage_v"]["likely"])
        x, y = self.x(one["id"]), self.y(one["voltage_v"]["likely"])
        yield element("circle", class_="ink", cx=x, cy=y, r=6.0, fill="none", stroke=INK, stroke_width=2)
        said = f"{shortened(one['name'], _LONGEST_NAME)}: {amount(one['voltage_v']['likely'], 'V')}"
        anchor, beside = ("end", min(x + 4, RIGHT)) if x > (LEFT + RIGHT) / 2 else ("start", x - 4)
        width = len(said) * _BOLD
        highest, lowest = self._between(
            *((beside - width, beside) if anchor == "end" else (beside, beside + width))
        )
        # Clear of the curve and its band; on paper of its own, since lines of the grid lie behind it
        base = highest - 10 if highest - 10 - TEXT_PX >= 0 else lowest + TEXT_PX + 8
        for paper in (True, False):
            yield _text(beside, base, said, anchor, bold=True, halo=paper)

    def _between(self, left: float, right: float) -> tuple[float, float]:
        """Where the curve and its band are highest and lowest between two places."""
        found = [
            self.y(volts)
            for one in self.segments
            if self.x(one.before) <= right and self.x(one.point["id"]) >= left
            for end in (one.before, one.point["id"])
            for volts in self.volts(end).values()
            if volts is not None
        ]
        return min(found), max(found)

    def grid(self) -> Iterator[SafeString]:
        """Lines of volts, the broken foot of their axis, and the metres as far as they are known."""
        least, most = self.range
        ticks = [*_ticks(least, most)]
        yield element(
            "path", class_="line", fill="none", stroke=LINE,
            d="".join(f"M{number(LEFT)} {number(self.y(at))}H{number(RIGHT)}" for at in ticks),
        )  # fmt: skip
        for at in ticks:
            yield _text(LEFT - 6, self.y(at) + 4, f"{at:g}", "end", soft=True)
        yield _text(2, TOP - 2, "V", "start", soft=True)
        # It does not begin at 0 V
        foot = BOTTOM + 2
        axis = f"M{number(LEFT)} {number(TOP)}V{number(foot - 6)}l-4 2l8 3l-4 1V{number(foot)}"
        axis += "".join(self._along())
        yield element("path", class_="ink", d=axis, fill="none", stroke=INK)
        unit, factor = ("ft", FOOT_M) if self.length_unit == "ft" else ("m", 1.0)
        end = min((self.extent[one["id"]][0] for one in self.points if self._breaks_at(one)), default=None)
        longest = max(metres for metres, _ in self.extent.values())
        last = longest if end is None else end
        for at in _ticks(0.0, last / factor):
            x = LEFT + at * factor * self.per_metre
            yield _text(x, foot + 16, f"{at:g}", "middle", soft=True)
        said = f"{unit} of cable from the block"
        if end is not None:
            said = f"{unit} of cable; broken: length not recorded"
        yield _text(LEFT, foot + 34, said, "start", soft=True)

    def _breaks_at(self, point: Point) -> bool:
        return point["id"] in self.farthest and _is_broken(point)

    def _along(self) -> Iterator[str]:
        """The axis of distance, broken where a length on the way to the farthest point is not recorded."""
        foot, at = number(BOTTOM + 2), LEFT
        for one in self.points:
            if self._breaks_at(one):
                begin, end = self.x(one["after_id"]), self.x(one["id"])
                middle = (begin + end) / 2
                yield f"M{number(at)} {foot}H{number(middle - 3)}m-2 5l4 -10m2 10l4 -10"
                at = middle + 3
        yield f"M{number(at)} {foot}H{number(RIGHT)}"


def _is_broken(point: Point) -> bool:
    return bool(point["length_basis"] == "unknown")


def _ticks(least: float, most: float) -> Iterator[float]:
    """At most a handful of round numbers from ``least`` to ``most``."""
    if most <= least:
        yield round(least, 9)
        return
    rough = (most - least) / _TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    at = math.ceil(least / step - 1e-9)
    while at * step <= most + 1e-9 * step:
        yield round(at * step, 9)
        at += 1


def _hatch() -> Iterator[SafeString]:
    stripe = element("path", class_="line", d="M0 6L6 0", stroke=LINE, stroke_width=1)
    yield element(
        "defs", element("pattern", stripe, id="volts", width=6, height=6, patternUnits="userSpaceOnUse")
    )


def _text(
    x: float, y: float, said: str, anchor: str, *, soft: bool = False, bold: bool = False, halo: bool = False
) -> SafeString:
    """halo: the paper around it, without the text."""
    return element(
        "text", said, x=float(x), y=float(y), font_size=TEXT_PX, font_weight="bold" if bold else None,
        text_anchor=None if anchor == "start" else anchor,
        **{"class_": "paper", "fill": PAPER, "stroke": PAPER, "stroke_width": 6, "aria_hidden": "true"}
        if halo else {"class_": "label soft" if soft else "label", "fill": SOFT if soft else INK},
    )  # fmt: skip
