"""The rows of a block for people: each wire in words, with what it belongs to, and what is free."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from api.pages.parts.facts import nothing_recorded
from api.pages.templatetags.marks import NOT_RECORDED

Answer: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True)
class Wire:
    """said: its colour and what it carries. kind, thing: what it belongs to. zone: None where none
    is recorded."""

    said: str
    kind: str
    thing: Answer
    zone: Answer | None

    @property
    def of(self) -> str:
        """What it belongs to, for where nothing is linked."""
        return f"{self.thing['name']}, {self.zone['name']}" if self.zone else str(self.thing["name"])


@dataclass(frozen=True)
class Row:
    number: int
    clip: str
    equipment: tuple[Wire, ...]
    field: tuple[Wire, ...]
    remark: str


def row_of(row: Answer) -> Row:
    """row: of a block, as the API answers it."""
    sides: dict[str, list[Wire]] = {"equipment": [], "field": []}
    for one in row["conductors"]:
        sides[one["side"]].append(_wire(one))
    return Row(row["number"], row["clip"], tuple(sides["equipment"]), tuple(sides["field"]), row["remark"])


def _wire(one: Answer) -> Wire:
    colour = one["colour"] or f"pair {one['pair']}, colour {NOT_RECORDED}"
    return Wire(
        said=f"{colour}: {one['carries']}",
        kind=one["of_kind"],
        thing={"id": one["of_id"], "name": one["of"]},
        zone={"id": one["zone_id"], "name": one["zone"]} if one["zone_id"] else None,
    )


def free_rows(block: Answer, first: int = 1, last: int | None = None) -> str:
    """The rows from the first to the last on which nothing is recorded, in a sentence; blank: there is
    none."""
    taken = {row["number"] for row in block["rows"]}
    free = [row for row in range(first, (last or block["row_count"]) + 1) if row not in taken]
    return nothing_recorded("Row", free)
