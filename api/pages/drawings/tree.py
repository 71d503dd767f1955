"""A run from its block downwards: order, branches and how each length is known; lengths are not to scale.

Pure, from the profile of the run as the API answers it. It is narrow enough for a phone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, TypeAlias

from django.utils.safestring import SafeString

from sites.wording import counted, shortened
from zones.limits.amounts import amount

from .svg import INK, PAPER, SOFT, TEXT_PX, drawing, element, number

Point: TypeAlias = Mapping[str, Any]

WIDTH: Final = 328.0
INDENT: Final = 18.0
MOST_INDENTS: Final = 8
"""Branches of branches beyond this many stand under one another: their words still have room."""
_LEFT, _TOP, _LINE = 12.0, 10.0, 17.0
_TO_TEXT: Final = 16.0
_CHARACTER: Final = 7.6
"""Width of a character of usual text in bold; texts of the widest letters only would not fit."""

_STROKES: Final[Mapping[str, Mapping[str, Any]]] = {
    "measured": {"stroke_width": 5},
    "marked": {"stroke_width": 1.5},
    "drawing": {"stroke_width": 2, "stroke_dasharray": "9 4"},
    "guessed": {"stroke_width": 3, "stroke_dasharray": "0 5.5", "stroke_linecap": "round"},
    "unknown": {"stroke_width": 2},
}
"""By basis of the length."""


def tree(
    profile: Mapping[str, Any], run: str, block: str, names: Mapping[int, str] = MappingProxyType({})
) -> SafeString:
    """profile: the answer of ``GET /runs/{id}/profile``, or a part of its points: what follows a point of
    another part says so. run, block: their names; names: of all points, by id."""
    rows = [*_rows(profile["points"], profile["length_unit"], names)]
    marks = _Marks()
    top = _TOP
    at: dict[int | None, tuple[float, float]] = {}
    if any(row.point["after_id"] is None for row in rows):
        at[None] = _LEFT, _TOP
        marks.say(_LEFT + _TO_TEXT, _TOP + 4, block, strong=True)
        marks.root(_LEFT, _TOP)
        top += _LINE
    for row in rows:
        x = _LEFT + min(row.column, MOST_INDENTS) * INDENT
        y = top + len(row.above) * _LINE + 4
        marks.segment(row, at.get(row.point["after_id"], (x, top)), (x, y), top)
        room = int((WIDTH - x - _TO_TEXT) / _CHARACTER)
        for line, words in enumerate(row.above):
            marks.say(x + _TO_TEXT, top + line * _LINE + 8, shortened(words, room))
        marks.say(x + _TO_TEXT, y + 4, shortened(row.name, room), strong=True)
        for line, words in enumerate(row.below, 1):
            marks.say(x + _TO_TEXT, y + 4 + line * _LINE, shortened(words, room))
        marks.point(row.point, x, y)
        at[row.point["id"]] = x, y
        top = y + (len(row.below) + 1) * _LINE - 4
    branches = sum(row.starts_branch for row in rows)
    said = [counted(len(rows), "point"), counted(branches, "branch", "branches")]
    return drawing(
        "tree",
        f"The cable of {run} from {block}",
        f"{', '.join(said)}; order, not to scale. The table below has every segment.",
        WIDTH,
        top + 4,
        *marks.drawn(),
    )


# --- what stands where --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Row:
    """A point. column: how many branches deep. starts_branch: it leaves the cable that goes on below it.
    above: of its segment; below: what else is to be said of the point."""

    point: Point
    column: int
    starts_branch: bool
    name: str
    above: tuple[str, ...]
    below: tuple[str, ...]


def _rows(points: Sequence[Point], length_unit: str, names: Mapping[int, str]) -> Iterator[_Row]:
    """From the block down, or from points that are not here. Of what follows a point, the part with the most
    points goes straight on; the others are branches, and stand before it."""
    here = {one["id"] for one in points}
    behind: dict[int | None, list[Point]] = {pk: [] for pk in (None, *here)}
    for one in points:
        behind[one["after_id"] if one["after_id"] in here else None].append(one)
    size: dict[int, int] = {}
    for one in reversed(points):  # parents come before children
        size[one["id"]] = 1 + sum(size[next_["id"]] for next_ in behind[one["id"]])
    pairs: dict[int | None, int | None] = {None: None} | {one["id"]: one["pairs"] for one in points}
    waiting = _in_order(behind[None], size, 0)
    while waiting:
        point, column, starts_branch = waiting.pop()
        before = point["after_id"]
        elsewhere = [] if before is None or before in here else [f"after {names[before]}"]
        yield _Row(
            point,
            column,
            starts_branch,
            _name(point),
            (
                *elsewhere,
                *_of_segment(
                    point, length_unit, says_pairs=before not in here or pairs[before] != point["pairs"]
                ),
            ),
            tuple(_of_point(point)),
        )
        waiting += _in_order(behind[point["id"]], size, column)


def _in_order(points: Sequence[Point], size: Mapping[int, int], column: int) -> list[tuple[Point, int, bool]]:
    """What follows a point, the last of it first: as a stack is filled."""
    if not points:
        return []
    *branches, straight_on = sorted(points, key=lambda one: size[one["id"]])
    return [(straight_on, column, False), *((one, column + 1, True) for one in reversed(branches))]


def _name(point: Point) -> str:
    what = point["place"] or point["device"] or (point["kind"] if point["kind"] == "splice" else "")
    return f"{point['name']}  {what}".strip()


def _of_segment(point: Point, length_unit: str, *, says_pairs: bool) -> Iterator[str]:
    said = [length(point, length_unit)]
    if says_pairs:
        said.append("pairs not recorded" if point["pairs"] is None else counted(point["pairs"], "pair"))
    yield ", ".join(said)
    if point["negative_cut"]:
        yield "negative cut"


def _of_point(point: Point) -> Iterator[str]:
    if point["kind"] == "uncounted_group":
        yield group(point)
    if point["feed_supply"]:
        yield f"fed here by {point['feed_supply']}"
    if point["zone"]:
        yield f"in {point['zone']}"


def length(point: Point, length_unit: str) -> str:
    """``10 m``, ``~12 m`` where it is guessed, ``? (4–15 m)`` where it is not recorded."""
    of = point["length_m"]

    def said(value: float) -> str:
        return amount(value, "m", length_unit=length_unit)

    if not _is_known(point):
        least, most = sorted((of["low"], of["high"]))
        digits, unit = said(most).rsplit(" ", 1)
        return f"? ({said(least).rsplit(' ', 1)[0]}–{digits} {unit})"
    return f"~{said(of['likely'])}" if point["length_basis"] == "guessed" else said(of["likely"])


def group(point: Point) -> str:
    """``about 6, 4–9``."""
    low, likely, high = (f"{point['count'][word]:g}" for word in ("low", "likely", "high"))
    return likely if low == high else f"about {likely}, {low}–{high}"


def _is_known(point: Point) -> bool:
    return point["length_basis"] != "unknown" and point["part_of_m"] is None


# --- strokes ------------------------------------------------------------------------------------------------


class _Marks:
    """Strokes by how they are drawn, and texts, each written once a kind: a long run stays small."""

    def __init__(self) -> None:
        self._strokes: dict[str, list[str]] = {basis: [] for basis in _STROKES}
        self._bars: list[str] = []
        self._feeds: list[str] = []
        self._devices: list[str] = []
        self._splices: list[str] = []
        self._groups: list[str] = []
        self._strong: list[SafeString] = []
        self._soft: list[SafeString] = []

    def segment(self, row: _Row, begin: tuple[float, float], end: tuple[float, float], top: float) -> None:
        (from_x, from_y), (x, y) = begin, end
        start = f"M{number(from_x)} {number(from_y)}"
        if x != from_x:
            # Off the cable that goes on, just above the words of the segment
            start = f"M{number(from_x)} {number(top)}H{number(x)}"
            from_y = top
        if _is_known(row.point):
            self._strokes[row.point["length_basis"]].append(f"{start}V{number(y)}")
        else:
            gap = y - 12 if y - from_y > 24 else (y + from_y) / 2
            self._strokes["unknown"].append(
                f"{start}V{number(gap - 4)}M{number(x - 5)} {number(gap - 2)}l10 -4"
                f"M{number(x - 5)} {number(gap + 4)}l10 -4M{number(x)} {number(gap + 3)}V{number(y)}"
            )
        if row.point["negative_cut"]:
            self._bars.append(f"M{number(x - 8)} {number(y - _LINE)}h16")

    def root(self, x: float, y: float) -> None:
        self._bars.append(f"M{number(x - 8)} {number(y)}h16")

    def point(self, point: Point, x: float, y: float) -> None:
        at = f"{number(x)} {number(y)}"
        if point["kind"] == "splice":
            self._splices.append(f"M{at}m-4 -4h8v8h-8z")
        elif point["kind"] == "uncounted_group":
            self._groups.append(f"M{at}m-6.5 0a6.5 6.5 0 1 0 13 0a6.5 6.5 0 1 0 -13 0")
        else:
            self._devices.append(f"M{at}m-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0")
        if point["feed_supply"]:
            self._feeds.append(f"M{at}l8 14m-4 2l8 -4")

    def say(self, x: float, y: float, words: str, *, strong: bool = False) -> None:
        (self._strong if strong else self._soft).append(element("text", words, x=float(x), y=float(y)))

    def drawn(self) -> Iterator[SafeString]:
        for basis, paths in self._strokes.items():
            yield from _path(paths, "ink", fill="none", stroke=INK, **_STROKES[basis])
        yield from _path(self._bars, "ink", fill="none", stroke=INK, stroke_width=4)
        yield from _path(self._feeds, "ink", fill="none", stroke=INK, stroke_width=2)
        yield from _path(self._devices, "ink-fill", fill=INK)
        yield from _path(self._splices, "ink paper-fill", fill=PAPER, stroke=INK, stroke_width=1.5)
        yield from _path(
            self._groups, "ink paper-fill", fill=PAPER, stroke=INK, stroke_width=2, stroke_dasharray="3 2"
        )
        yield element("g", *self._strong, class_="label", font_size=TEXT_PX, font_weight="bold", fill=INK)
        yield element("g", *self._soft, class_="label soft", font_size=TEXT_PX, fill=SOFT)


def _path(paths: Sequence[str], css: str, **attributes: Any) -> Iterator[SafeString]:
    if paths:
        yield element("path", class_=css, d="".join(paths), **attributes)
