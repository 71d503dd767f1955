"""The last changes to what stands in a closet and is landed on its blocks."""

from __future__ import annotations

import datetime as dt
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

from sites.models import Closet
from sites.models.changes import ChangeSet
from sites.wording import counted
from zones.electrical.plant import Plant
from zones.findings.changes_at_step import ChangeAtStep, changes_at_step
from zones.findings.wording import phrases_of
from zones.models import ClipFacts, Landing, PointFacts, Test
from zones.plant.selectors import read_plant
from zones.subjects import SUBJECTS, Names, in_closet_sql

from .shown import shown

SHOWN: Final = 5

_THINGS: Final = {
    kind.model: kind.closet.removesuffix("_id") for kind in SUBJECTS.values() if kind.closet
} | {Landing: "block__closet"}
"""What stands in closets, with the lookup that leads to its closet."""
_FACTS: Final = {
    things.facts.rel.related_model: f"{things.facts.field.name}__{path}"
    for things, path in _THINGS.items()
    if hasattr(things, "facts")
} | {PointFacts: "run__block__closet", ClipFacts: "block__closet"}
_TESTS: Final = ("run__block__closet", "switch__closet")


def _columns(columns: Iterable[str], of: Iterable[tuple[type[Any], str]]) -> str:
    """Each of these columns of what lies in the closet. The site is named in each part, since no index leads
    from a closet to all that lies in it."""
    return " UNION ".join(
        f'SELECT {column} FROM "{model._meta.db_table}" '  # noqa: S608 - our own names
        f"WHERE site_id = %(site)s AND {in_closet_sql(model, path)}"
        for model, path in of
        for column in columns
    )


# Written out, since Django takes longer to put it together than PostgreSQL to answer it
_COLUMNS: Final = [str(one.column) for one in ChangeSet._meta.concrete_fields if one.name != "operations"]
_LAST: Final = f"""
    SELECT {", ".join(_COLUMNS)},
        (SELECT jsonb_agg(jsonb_build_array(table_name, operation, row_count) ORDER BY id) FROM change
            WHERE change_set_id = change_set.id)::text AS written
    FROM change_set
    WHERE site_id = %(site)s AND state = '{ChangeSet.State.ACCEPTED}' AND step < %(before)s AND (
        id = %(own)s
        OR step = ANY (ARRAY(
            {_columns(["begin_step", "end_step"], _THINGS.items())}
            UNION {_columns(["step"], _FACTS.items())}))
        OR id = ANY (ARRAY(
            {_columns(["change_set_id"], [*_THINGS.items(), *_FACTS.items()])}
            UNION {_columns(["change_set_id"], [(Test, path) for path in _TESTS])})))
    ORDER BY step DESC LIMIT {SHOWN}
"""  # noqa: S608 - our own names


@dataclass(frozen=True)
class RecentChange:
    """what: what was done, in phrases: what of it changes a load, else what of the record was written."""

    id: int
    happened_on: dt.date
    recorded_at: dt.datetime
    kind: str
    actor: str
    done_by: str
    reason: str
    job_reference: str
    what: tuple[str, ...]


class RecentChanges:
    """The last few change sets before a step that touched something here. Two queries, and the names.

    A row of facts names its change set by the step from which it holds, and the one that last corrected it by
    id; a thing has the steps at which it began and ended.
    """

    def __init__(self, closet: Closet, before: int, names: Names) -> None:
        asked = {"site": closet.site_id, "closet": closet.pk, "own": closet.change_set_id, "before": before}
        self._length_unit, self._names = closet.site.length_unit, names
        self._change_sets = list(ChangeSet.objects.raw(_LAST, asked))
        plant = read_plant([closet.site_id])
        self._changes = {row.pk: _at_step(plant, row.step or 0) for row in self._change_sets}
        for changes in self._changes.values():
            names.ask(others=chain.from_iterable(change.references() for change in changes))

    def in_words(self) -> tuple[RecentChange, ...]:
        """The latest first."""
        names = self._names.texts
        return tuple(
            shown(
                RecentChange,
                row,
                kind=row.get_kind_display(),
                what=tuple(phrases_of(self._changes[row.pk], names, self._length_unit))
                or _written(json.loads(row.written or "[]")),  # type: ignore[attr-defined]
            )
            for row in self._change_sets
        )


def _at_step(plant: Plant, step: int) -> tuple[ChangeAtStep, ...]:
    rows = {name: (table.begin == step) | (table.end == step) for name, table in plant.tables.items()}
    return changes_at_step(plant, rows, step) if any(mask.any() for mask in rows.values()) else ()


_SAID: Final = {"insert": "recorded", "update": "changed", "delete": "removed"}
# Tables are called as they were when they were made
_NOUNS: Final = {Test._meta.db_table: str(Test._meta.verbose_name)}


def _written(changes: Iterable[tuple[str, str, int]]) -> tuple[str, ...]:
    """What of the record was written: rows by kind of thing. changes: of each table, what was done and to how
    many rows."""
    counts: Counter[tuple[str, str]] = Counter()
    for table, operation, rows in changes:
        noun = _NOUNS.get(table, table.removesuffix("_facts").replace("_", " "))
        done = "changed" if table.endswith("_facts") else _SAID[operation]
        counts[noun, done] += rows
    return tuple(f"{counted(count, noun, _plural(noun))} {done}" for (noun, done), count in counts.items())


def _plural(noun: str) -> str:
    return f"{noun}es" if noun.endswith("switch") else f"{noun[:-1]}ies" if noun.endswith("y") else ""
