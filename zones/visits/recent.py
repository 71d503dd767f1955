"""The last changes to what stands in a closet and is landed on its blocks."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Any, Final

from sites.models import Closet
from sites.models.changes import Change, ChangeSet
from sites.wording import counted
from zones.electrical.plant import Plant
from zones.findings.changes_at_step import ChangeAtStep, changes_at_step
from zones.findings.wording import phrases_of
from zones.models import ClipFacts, Landing, PointFacts, Reading
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
_READINGS: Final = ("run__block__closet", "switch__closet")


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
_LAST: Final = f"""
    SELECT * FROM change_set
    WHERE site_id = %(site)s AND state = '{ChangeSet.State.ACCEPTED}' AND step < %(before)s AND (
        id = %(own)s
        OR step = ANY (ARRAY(
            {_columns(["begin_step", "end_step"], _THINGS.items())}
            UNION {_columns(["step"], _FACTS.items())}))
        OR id = ANY (ARRAY(
            {_columns(["change_set_id"], [*_THINGS.items(), *_FACTS.items()])}
            UNION {_columns(["change_set_id"], [(Reading, path) for path in _READINGS])})))
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


def recent_changes(closet: Closet, before: int) -> tuple[RecentChange, ...]:
    """The last few change sets before a step that touched something here, the latest first. A constant
    number of queries.

    A row of facts names its change set by the step from which it holds, and the one that last corrected it by
    id; a thing has the steps at which it began and ended.
    """
    asked = {"site": closet.site_id, "closet": closet.pk, "own": closet.change_set_id, "before": before}
    change_sets = list(ChangeSet.objects.raw(_LAST, asked))
    written = Change.objects.filter(change_set__in=change_sets).order_by("id")
    plant = read_plant([closet.site_id])
    changes = {row.pk: _at_step(plant, row.step or 0) for row in change_sets}
    every = chain.from_iterable(changes.values())
    names = Names([], others=chain.from_iterable(change.references() for change in every)).texts
    return tuple(
        shown(
            RecentChange,
            row,
            kind=row.get_kind_display(),
            what=tuple(phrases_of(changes[row.pk], names, closet.site.length_unit))
            or _written([change for change in written if change.change_set_id == row.pk]),
        )
        for row in change_sets
    )


def _at_step(plant: Plant, step: int) -> tuple[ChangeAtStep, ...]:
    rows = {name: (table.begin == step) | (table.end == step) for name, table in plant.tables.items()}
    return changes_at_step(plant, rows, step) if any(mask.any() for mask in rows.values()) else ()


_SAID: Final = {"insert": "recorded", "update": "changed", "delete": "removed"}


def _written(changes: Iterable[Change]) -> tuple[str, ...]:
    """What of the record was written: rows by kind of thing."""
    counts: Counter[tuple[str, str]] = Counter()
    for change in changes:
        noun = change.table_name.removesuffix("_facts").replace("_", " ")
        done = "changed" if change.table_name.endswith("_facts") else _SAID[change.operation]
        counts[noun, done] += change.row_count
    return tuple(f"{counted(count, noun, _plural(noun))} {done}" for (noun, done), count in counts.items())


def _plural(noun: str) -> str:
    return f"{noun}es" if noun.endswith("switch") else f"{noun[:-1]}ies" if noun.endswith("y") else ""
