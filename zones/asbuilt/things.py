"""What files and record are brought to, so that the two can be compared: things, their dated facts, changes.

A reference is a ``Thing`` on both sides, never a name or an id; so equal means the same.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from .formats import ALL, FileKind
from .formats.kinds import Values
from .parsing import Row

# A change that is yet to be accepted comes after those that the record has on its day
AFTER_RECORDED = 1 << 62


@dataclass(eq=False)
class Change:
    """One change set of a site. ``order``: its step, or ``AFTER_RECORDED`` and its place among the new ones.
    ``id`` and ``step`` are those of the record; None until it is accepted.
    """

    site: Thing
    key: str
    values: Values
    order: int
    id: int | None = None
    step: int | None = None
    row: Row | None = None
    recorded: bool = False
    recorded_at: dt.datetime | None = None
    quiet: bool = False
    rewrote: list[Rewritten] = field(default_factory=list)  # by a new one, in rows that are new too
    position: tuple[dt.date, int] = field(init=False)

    def __post_init__(self) -> None:
        self.position = self.happened_on, self.order

    @property
    def happened_on(self) -> dt.date:
        day: dt.date = self.values["happened_on"]
        return day

    @property
    def label(self) -> str:
        return f"{self.happened_on}, {self.values['actor']}: {self.values['reason']}"


class Rewritten(NamedTuple):
    """A row before and after a correction: of ``facts``, or a thing's own. ``ends``: with which change the
    thing ended before and after, where that was rewritten."""

    thing: Thing
    facts: Facts | None
    before: Values
    after: Values
    ends: tuple[Change | None, Change | None] | None = None


@dataclass(eq=False)
class Facts:
    """Dated facts of a thing, from ``change`` on. ``writer`` last wrote them. ``former``: what the record
    says of rewritten ones. ``first``: who wrote new ones before corrections did.
    """

    change: Change
    values: Values
    writer: Change
    row: Row | None = None
    recorded: bool = False
    rewritten: bool = False  # recorded, but the files correct it, under ``writer``
    former: Values = field(default_factory=dict)
    first: Change | None = None


@dataclass(eq=False)
class Thing:
    """One row of the record that is not dated facts, or the subject of such facts.

    ``key``: of the kind's key, things for references. ``begin`` and ``end`` are None where the kind is not
    placed; ``begin`` of an unplaced kind is its first facts' change. Of a recorded thing ``writer`` last
    wrote its own row; of a new one it writes it first, ``described`` last.
    """

    kind: FileKind
    site: Thing | None
    key: tuple[Any, ...]
    values: Values = field(default_factory=dict)
    begin: Change | None = None
    end: Change | None = None
    writer: Change | None = None
    described: Change | None = None
    facts: list[Facts] = field(default_factory=list)
    id: int | None = None
    row: Row | None = None
    recorded: bool = False
    refused: bool = False
    rewritten: bool = False  # recorded, but the files correct it, under ``writer``
    end_row: Row | None = None  # the row that ends it; None where the record did
    ender: Change | None = None  # who then writes that it ended
    # of a paging set: zones that corrections put into it, and which
    joined: dict[Thing, Change] = field(default_factory=dict)

    @property
    def label(self) -> str:
        """The name that a person would use, such as “PS-1” or “R-3 P4”."""
        return " ".join(
            part.label if isinstance(part, Thing) else str(part) for part in self.key if part is not None
        )

    def stands_at(self, change: Change | None) -> bool:
        """Whether it is there just after ``change``; None: now."""
        if change is None:
            return self.end is None
        begun = self.begin is None or self.begin.position <= change.position
        return begun and (self.end is None or change.position < self.end.position)


@dataclass(frozen=True)
class CorrectedCell:
    """A cell that a recorded correction rewrote, in the row of ``facts``, or in the thing's own. ``column``
    is blank where it added the row. An end is the change with which the thing ends."""

    change: Change
    thing: Thing
    facts: Facts | None
    column: str = ""
    before: str | Change = ""
    after: str | Change = ""


def owner_of(site: Thing | None, key: tuple[Any, ...]) -> Thing | None:
    """Within what the last part of a key is a name: a switch, a run, or the site."""
    return key[-2] if len(key) > 1 and isinstance(key[-2], Thing) else site


class World:
    """Every thing that names can mean: those of the record, and those that the files bring."""

    def __init__(self) -> None:
        self.things: dict[str, list[Thing]] = {kind.name: [] for kind in ALL}
        self._by_key: dict[tuple[str, Thing | None, tuple[Any, ...]], list[Thing]] = defaultdict(list)
        self._names: dict[tuple[str, Thing | None], set[str]] = defaultdict(set)
        self.changes: dict[Thing, list[Change]] = defaultdict(list)
        # by site, in the order of recording
        self.corrected: dict[Thing, list[CorrectedCell]] = defaultdict(list)

    def add(self, thing: Thing) -> None:
        self.things[thing.kind.name].append(thing)
        self._by_key[thing.kind.name, thing.site, thing.key].append(thing)
        # the last part of a key is the name within what the rest of it names
        if thing.key and not isinstance(thing.key[-1], Thing):
            self._names[thing.kind.name, owner_of(thing.site, thing.key)].add(str(thing.key[-1]))

    def lives(self, kind: str, site: Thing | None, key: tuple[Any, ...]) -> list[Thing]:
        """Everything that ever had this key, in the order in which they stood."""
        return self._by_key.get((kind, site, key), [])

    def names(self, kind: str, owner: Thing | None) -> set[str]:
        """Names of a kind that are in use within an owner (a site, a switch, a run), for advice."""
        return self._names.get((kind, owner), set())
