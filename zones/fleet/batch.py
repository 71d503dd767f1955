"""What a plan is made of: columns of numbers, references by position, no database and no text.

A ``Batch`` is the whole record of ``SITES_A_BATCH`` sites. Its tables are columns of equal length; a column
named after another table (``run``, ``closet``) holds positions in that table, −1 none. ``change`` is the
position of the change set that wrote a row, ``at`` of the one from whose step it holds (the two differ where
a later correction found what had been there all along). Unknown numbers are NaN.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

Ints: TypeAlias = NDArray[np.int64]
Floats: TypeAlias = NDArray[np.float64]
Flags: TypeAlias = NDArray[np.bool_]
Columns: TypeAlias = dict[str, NDArray[Any]]

SITES_A_BATCH = 100
"""Sites are drawn by this many, whatever is asked for, so that a smaller fleet is the beginning of a larger
one."""

NONE = -1


class ChangeKind(IntEnum):
    WORK = 0
    CORRECTION = 1
    TAKEOVER = 2


class RunKind(IntEnum):
    SELF_AMPLIFIED = 0
    CONSTANT_VOLTAGE = 1
    LOW_IMPEDANCE = 2


class Fate(IntEnum):
    """What becomes of a zone."""

    ORDINARY = 0
    PAST = 1
    NEAR = 2
    UNKNOWN = 3


class Gap(IntEnum):
    """What nobody wrote down of a zone that is known in part."""

    LENGTHS = 0
    MODELS = 1
    COUNT = 2
    SUPPLY = 3
    TAPS = 4
    AMPLIFIER = 5
    CABLE = 6


@dataclass
class Batch:
    """number: of the batch. tables: by name; ``change_set`` has site, day (since 1970), kind and wording."""

    number: int
    tables: dict[str, Columns] = field(default_factory=dict)

    def count(self, table: str) -> int:
        return len(next(iter(self.tables[table].values())))

    def add(self, table: str, columns: Columns) -> Ints:
        """Append rows, and return their positions. Columns that one side lacks are NONE or NaN there."""
        added = len(next(iter(columns.values())))
        if table not in self.tables:
            self.tables[table] = dict(columns)
            return np.arange(added)
        present = self.tables[table]
        before = self.count(table)
        for name in present.keys() | columns.keys():
            like = present[name] if name in present else columns[name]
            old = present[name] if name in present else _blank(like, before)
            new = columns[name] if name in columns else _blank(like, added)
            present[name] = np.concatenate([old, new])
        return np.arange(before, before + added)

    def beginning(self, sites: int) -> Batch:
        """The same batch with its first ``sites`` sites only."""
        kept = {
            name: np.flatnonzero((np.arange(self.count(name)) if name == "site" else columns["site"]) < sites)
            for name, columns in self.tables.items()
        }
        moved = {name: np.full(self.count(name) + 1, NONE) for name in self.tables}
        for name, rows in kept.items():
            moved[name][rows] = np.arange(len(rows))
        smaller = Batch(self.number)
        for name, columns in self.tables.items():
            of_name = {column: values[kept[name]] for column, values in columns.items()}
            for column, values in of_name.items():
                target = refers_to(column)
                if target in self.tables:
                    of_name[column] = moved[target][values]
            smaller.tables[name] = of_name
        return smaller


_REFERENCES = {"change": "change_set", "at": "change_set", "parent": "point", "port": "switch_port"}


def refers_to(column: str) -> str:
    """The table in which a column's numbers are positions, if it is the name of one."""
    return _REFERENCES.get(column, column)


def _blank(like: NDArray[Any], count: int) -> NDArray[Any]:
    return np.full(count, np.nan) if like.dtype.kind == "f" else np.full(count, NONE)


def several(counts: Ints) -> tuple[Ints, Ints]:
    """(total,) the owner of each of ``counts`` things, and its number among its owner's, from 0.

    >>> [a.tolist() for a in several(np.array([2, 0, 1]))]
    [[0, 0, 2], [0, 1, 0]]
    """
    owner = np.repeat(np.arange(len(counts)), counts)
    return owner, np.arange(len(owner)) - (np.cumsum(counts) - counts)[owner]


def number_within(owner: Ints) -> Ints:
    """(n,) the number of each among those of the same owner, from 0, in the order given.

    >>> number_within(np.array([5, 2, 5, 5])).tolist()
    [0, 0, 1, 2]
    """
    order = np.argsort(owner, kind="stable")
    ranked = owner[order]
    first = np.searchsorted(ranked, ranked, side="left")
    out = np.empty(len(owner), np.int64)
    out[order] = np.arange(len(owner)) - first
    return out


def totals(owner: Ints, values: Floats, count: int) -> Floats:
    return np.bincount(owner, values, minlength=count).astype(np.float64)


def pick(rng: np.random.Generator, shares: Mapping[Any, float], size: int) -> Ints:
    """(size,) keys of ``shares`` (whole numbers), each drawn with its share."""
    keys = np.array(list(shares), np.int64)
    weights = np.array(list(shares.values()))
    at = np.searchsorted(np.cumsum(weights / weights.sum()), rng.random(size), side="right")
    picked: Ints = keys[at.clip(0, len(keys) - 1)]
    return picked
