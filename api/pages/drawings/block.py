"""A termination block as its strip runs: equipment, clip, field; pure, from the rows that the API answers.

Which side is on the left of the wall is not recorded, so the columns say what is landed, not where. It is
narrow enough for a phone and cut into strips that fit on a sheet of paper, which stand side by side where
there is room.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, TypeAlias

from django.utils.safestring import SafeString

from sites.wording import numbers, plural, shortened

from .svg import INK, LINE, SOFT, drawing, element
from .wires import LENGTH, THICKNESS, wires

Answer: TypeAlias = Mapping[str, Any]

WIDTH: Final = 328.0
"""The text of a phone 360 px wide."""
MOST_HEIGHT: Final = 870.0
"""Most height of a strip: 24 cm at the scale of the print."""
TEXT_PX: Final = 12
SIDES: Final = ("equipment", "field")
NOTHING: Final = "nothing recorded"
NOT_RECORDED: Final = "not recorded"

_MIDDLE: Final = WIDTH / 2
_CONTACT: Final = 22.0
"""Distance from the middle to the outer edge of a contact, where the wire begins."""
_CONTACT_WIDTH: Final = 7.0
_WIRE: Final = _CONTACT + 4
_NAME: Final = _WIRE + LENGTH + 6
_HEADER, _HEAD, _CONDUCTOR, _FREE, _GAP = 22.0, 15.0, 33.0, 26.0, 7.0
"""Heights: the words above the columns, a line of what a wire belongs to, a wire with what it carries, rows
that are free, and what is between a rule and what it parts."""
_LONGEST_HEAD, _LONGEST_NAME, _LONGEST_CARRIED, _LONGEST_REMARK = 22, 14, 22, 48
"""Characters that fit; the table below the drawing has every word whole."""


class _Free(NamedTuple):
    """Rows in sequence on which nothing is recorded."""

    first: int
    last: int


def block(answer: Answer, first: int = 1, last: int | None = None) -> tuple[SafeString, ...]:
    """The strips of a block, from the top. answer: the `block` of ``GET /blocks/{id}/rows``; first, last: of
    the rows that are drawn, where not all are."""
    units = _units(_in_sequence(answer["rows"], first, last or answer["row_count"]))
    strips = []
    for some in _alike_high(units):
        strips.append(_Strip())
        for one in some:
            strips[-1].add(one)
    return tuple(strip.drawn(answer, number) for number, strip in enumerate(strips))


def _in_sequence(rows: Sequence[Answer], first: int, last: int) -> Iterator[Answer | _Free]:
    """Rows in use, and between them free rows, several of them drawn as one."""
    for row in rows:
        if first <= row["number"] <= last:
            if row["number"] > first:
                yield _Free(first, row["number"] - 1)
            yield row
            first = row["number"] + 1
    if first <= last:
        yield _Free(first, last)


# --- where what stands --------------------------------------------------------------------------------------

_Owner: TypeAlias = tuple[str, ...]
"""What conductors belong to, in lines."""
_Owners: TypeAlias = dict[str, _Owner]
"""By side, that of the conductor above; what goes on is not said again."""


def _owner(conductor: Answer) -> _Owner:
    return tuple(shortened(words, _LONGEST_HEAD) for words in (conductor["of"], conductor["zone"]) if words)


class _Placed(NamedTuple):
    """A conductor of a row. head: what it belongs to, where that differs from the one above. top: of its
    wire, from the top of the row."""

    conductor: Answer
    head: _Owner
    top: float


def _placed(row: Answer, owners: _Owners) -> tuple[dict[str, list[_Placed]], float]:
    """By side; and the height of the row. The first wires of both sides lie in one line."""
    by_side = {side: [one for one in row["conductors"] if one["side"] == side] for side in SIDES}
    heads: dict[str, list[_Owner]] = {}
    for side, conductors in by_side.items():
        above = owners.get(side, ())
        heads[side] = []
        for one in conductors:
            owner = _owner(one)
            heads[side].append(() if owner == above else owner)
            above = owner
    first = max((len(said[0]) for said in heads.values() if said), default=0) * _HEAD + _GAP
    placed: dict[str, list[_Placed]] = {}
    lowest = first + _CONDUCTOR
    for side, conductors in by_side.items():
        top = first
        placed[side] = []
        for number, (one, head) in enumerate(zip(conductors, heads[side], strict=True)):
            top += len(head) * _HEAD if number else 0
            placed[side].append(_Placed(one, head, top))
            top += _CONDUCTOR
        lowest = max(lowest, top)
    return placed, lowest + _HEAD * len(_remark(row))


def _remark(row: Answer) -> list[str]:
    return textwrap.wrap(f"! {row['remark']}", _LONGEST_REMARK) if row["remark"] else []


# --- what stands together -----------------------------------------------------------------------------------


class _Unit(NamedTuple):
    """Rows of one pair or one run, which stay together. height: at the top of a strip, where it is most."""

    rows: list[Answer | _Free]
    height: float


def _units(rows: Iterable[Answer | _Free]) -> list[_Unit]:
    units: list[_Unit] = []
    owners: _Owners = {}
    last: _Owner | None = None
    for one in rows:
        placed, height = ({}, _FREE) if isinstance(one, _Free) else _placed(one, owners)
        owner = None if isinstance(one, _Free) else _run_of(one)
        if owner is not None and owner == last and units[-1].height + height <= MOST_HEIGHT - _HEADER:
            units[-1] = _Unit([*units[-1].rows, one], units[-1].height + height)
        else:
            units.append(_Unit([one], _FREE if isinstance(one, _Free) else _placed(one, {})[1]))
        owners = {side: _owner(those[-1].conductor) for side, those in placed.items() if those}
        last = owner
    return units


def _run_of(row: Answer) -> _Owner | None:
    """What lies in the field of a row, else what lies on its other side."""
    by_side = {one["side"]: _owner(one) for one in row["conductors"]}
    return by_side.get("field", by_side.get("equipment"))


def _alike_high(units: Sequence[_Unit]) -> list[list[Answer | _Free]]:
    """The rows of each strip: as few strips as fit, then none higher than it must be."""
    fewest = len(_cut(units, MOST_HEIGHT - _HEADER))
    low, high = 0.0, MOST_HEIGHT - _HEADER
    while high - low > 1.0:
        middle = (low + high) / 2
        low, high = (low, middle) if len(_cut(units, middle)) <= fewest else (middle, high)
    return _cut(units, high)


def _cut(units: Sequence[_Unit], most: float) -> list[list[Answer | _Free]]:
    strips: list[list[Answer | _Free]] = []
    height = 0.0
    for unit in units:
        if not strips or height + unit.height > most:
            strips.append([])
            height = 0.0
        strips[-1] += unit.rows
        height += unit.height
    return strips


def _clip(clip: str, clip_id: str) -> SafeString:
    """Two contacts, from the middle between them, in the stroke of where it is used. In: a bar across; out: a
    gap; of a block without clips a row is one metal."""
    half, inner = THICKNESS / 2, _CONTACT - _CONTACT_WIDTH
    across = element("path", d=f"M{-inner:g} {half:g}H{inner:g}", stroke_width=6 if clip else 1)
    contacts = (
        element("rect", x=left, y=half - 6, width=_CONTACT_WIDTH, height=12, fill="none")
        for left in (-_CONTACT, inner)
    )
    return element("g", *contacts, "" if clip == "out" else across, id=clip_id)


# --- the strip ----------------------------------------------------------------------------------------------


@dataclass
class _Strip:
    """Texts by how they are set, so that what many share is written once."""

    height: float = _HEADER
    owners: _Owners = field(default_factory=dict)
    rows: list[Answer] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    stubs: list[tuple[str, float, float]] = field(default_factory=list)
    clips: list[tuple[str, float]] = field(default_factory=list)
    brackets: list[SafeString] = field(default_factory=list)
    lines: list[float] = field(default_factory=list)
    texts: dict[tuple[str, bool, bool], list[SafeString]] = field(default_factory=dict)

    def add(self, one: Answer | _Free) -> None:
        self.lines.append(self.height)
        if isinstance(one, _Free):
            self._add_free(one)
        else:
            self._add_row(one)

    def _add_free(self, free: _Free) -> None:
        self.numbers += [free.first, free.last]
        rows = range(free.first, free.last + 1)
        said = f"{plural(len(rows), 'row')} {numbers(rows)}: {NOTHING}"
        self._text(_MIDDLE, self.height + 17, said, anchor="middle", soft=True)
        self.height += _FREE
        self.owners = {}

    def _add_row(self, row: Answer) -> None:
        placed, height = _placed(row, self.owners)
        top = self.height
        wire_top = top + min((one.top for side in placed.values() for one in side), default=_GAP)
        self.rows.append(row)
        self.numbers.append(row["number"])
        for side, conductors in placed.items():
            self._side(side, conductors, top, wire_top)
        self.clips.append((row["clip"], wire_top))
        if row["clip"] == "out":
            self._text(_MIDDLE, wire_top + 9, "out", anchor="middle", bold=True)
        self._text(_MIDDLE, wire_top + 25, str(row["number"]), anchor="middle", bold=True)
        for number, line in enumerate(reversed(_remark(row))):
            self._text(0, top + height - 5 - number * _HEAD, line, bold=True)
        self.owners = {side: _owner(those[-1].conductor) for side, those in placed.items() if those}
        self.height += height

    def _side(self, side: str, conductors: Sequence[_Placed], top: float, wire_top: float) -> None:
        out = -1 if side == "equipment" else 1
        anchor = "end" if side == "equipment" else "start"
        edge, beside = _MIDDLE + out * _WIRE, _MIDDLE + out * _NAME
        if not conductors:
            self._text(edge, wire_top + 9, NOTHING, anchor=anchor, soft=True)
        for one in conductors:
            y = top + one.top
            for number, line in enumerate(one.head):
                self._text(
                    edge, y - 5 - (len(one.head) - 1 - number) * _HEAD, line, anchor=anchor, bold=not number
                )
            colour = one.conductor["colour"]
            left = edge if out > 0 else edge - LENGTH
            self.stubs.append((colour, left, y))
            said = one.conductor["carries"]
            if not colour:
                said = f"{said}, pair {one.conductor['pair']}"
            name = shortened(colour, _LONGEST_NAME) or NOT_RECORDED
            self._text(beside, y + 9, name, anchor=anchor, soft=not colour)
            self._text(edge, y + 25, shortened(said, _LONGEST_CARRIED), anchor=anchor)
        if len(conductors) > 1:
            self._bracket(
                _MIDDLE + out * (_CONTACT + 2), *(top + one.top for one in (conductors[0], conductors[-1]))
            )

    def _bracket(self, x: float, first: float, last: float) -> None:
        """All wires that are on one contact."""
        middle = THICKNESS / 2
        path = f"M{x:g} {first + middle - 7:g}V{last + middle + 7:g}"
        self.brackets.append(element("path", d=path, stroke_width=3))

    def _text(
        self, x: float, y: float, said: str, *, anchor: str = "start", bold: bool = False, soft: bool = False
    ) -> None:
        self.texts.setdefault((anchor, bold, soft), []).append(element("text", said, x=float(x), y=float(y)))

    def drawn(self, answer: Answer, number: int) -> SafeString:
        first, last = min(self.numbers), max(self.numbers)
        self._header(answer)
        prefix = f"b{answer['id']}-{number}-"
        stubs, by_colour = wires((colour for colour, _, _ in self.stubs), prefix)
        clips = {clip: f"{prefix}clip-{clip or 'none'}" for clip, _ in self.clips}
        rules = "".join(f"M0 {y:g}H{WIDTH:g}" for y in self.lines)
        return drawing(
            "block",
            f"Block {answer['name']}, {plural(last - first + 1, 'row')} {numbers(range(first, last + 1))}",
            self._described(),
            WIDTH,
            self.height + _GAP,
            element("defs", *stubs, *(_clip(clip, clip_id) for clip, clip_id in clips.items())),
            element("path", class_="line", d=rules, stroke=LINE, stroke_width=0.5),
            element(
                "g",
                *(element("use", href=f"#{clips[clip]}", x=_MIDDLE, y=top) for clip, top in self.clips),
                *(element("use", href=by_colour[colour], x=left, y=top) for colour, left, top in self.stubs),
                *self.brackets,
                class_="ink",
                stroke=INK,
            ),
            *(
                element(
                    "g",
                    *said,
                    class_="soft" if soft else "label",
                    font_size=TEXT_PX,
                    font_weight="bold" if bold else None,
                    text_anchor=None if anchor == "start" else anchor,
                    fill=SOFT if soft else INK,
                )
                for (anchor, bold, soft), said in self.texts.items()
            ),
        )

    def _header(self, answer: Answer) -> None:
        self._text(_MIDDLE - _CONTACT - 3, 14, "equipment", anchor="end", soft=True)
        self._text(_MIDDLE + _CONTACT + 3, 14, "field", soft=True)
        if any(row["clip"] for row in answer["rows"]):
            self._text(_MIDDLE, 14, "clip", anchor="middle", soft=True)

    def _described(self) -> str:
        """What an eye finds first: clips that are out, and rows with a remark."""
        out = [row["number"] for row in self.rows if row["clip"] == "out"]
        said = (
            [f"{plural(len(out), 'Clip')} {numbers(out)} {plural(len(out), 'is', 'are')} out."] if out else []
        )
        said += [f"Row {row['number']}: {row['remark']}." for row in self.rows if row["remark"]]
        used = [row["number"] for row in self.rows]
        return " ".join(
            [
                f"In use: {plural(len(used), 'row')} {numbers(used)}."
                if used
                else f"{NOTHING.capitalize()}.",
                *said,
            ]
        )
