"""Rules of what lies on a block: rows it has, and rows that can be parted."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from sites.changes.errors import Problem
from sites.models import Block
from zones.models import Landing

SIDES: dict[str, tuple[str, ...]] = {
    Landing.Side.FIELD: ("run",),
    Landing.Side.EQUIPMENT: ("output", "supply", "amplifier"),
}
"""The owner of the conductors on each side."""
OWNERS = tuple(name for names in SIDES.values() for name in names)


def row_fits(block: str, row_count: int, row: int, path: str = "/row") -> Iterator[Problem]:
    """A conductor or a clip is on a row that the block has."""
    if not 1 <= row <= row_count:
        yield Problem(f"{block} has rows 1 to {row_count}, not {row}.", "invalid", path)


def clip_fits(block: str, kind: str, *, is_in: bool) -> Iterator[Problem]:
    """Only a block whose halves can be parted has clips to pull, or cross-connects to lift."""
    if not is_in and not Block(kind=kind).can_isolate:
        detail = f"{block} is {Block.Kind(kind).noun}. Nothing on it can be pulled."
        yield Problem(detail, "wrong_kind", "/block_id")


def owner_fits(owners: Collection[str], side: str | None = None) -> Iterator[Problem]:
    """A conductor is of one thing: on the field side a run, on the equipment side something else.

    ``owners``: those of run, output, supply and amplifier that are named. ``side``: None where it follows.
    """
    if len(owners) != 1:
        detail = f"Say whose pair it is: one of {', '.join(OWNERS)}, not {' and '.join(owners) or 'none'}."
        yield Problem(detail, "required", "/side" if side == Landing.Side.EQUIPMENT else "/run_id")
    elif side is not None and not set(owners) <= set(SIDES[side]):
        detail = f"The {side} side takes one of {', '.join(SIDES[side])}."
        yield Problem(detail, "invalid", "/run_id" if side == Landing.Side.FIELD else "/side")
