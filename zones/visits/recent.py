"""The last changes to what stands in a closet and is landed on its blocks."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Final

from django.db.models import Q

from sites.models import Closet
from sites.models.changes import Change, ChangeSet
from sites.wording import counted
from zones.electrical.plant import Plant
from zones.findings.changes_at_step import ChangeAtStep, changes_at_step
from zones.findings.wording import phrases_of
from zones.models import ClipFacts, Landing, PointFacts, Reading
from zones.plant.selectors import read_plant
from zones.subjects import SUBJECTS, Names

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
    # Named in each part, since no index leads from a closet to all that lies in it
    of_site = {"site_id": closet.site_id}
    by_step, by_id = Q(), Q(pk=closet.change_set_id)
    for things, path in _THINGS.items():
        rows = things._default_manager.filter(**of_site, **{path: closet}).order_by()
        by_step |= Q(step__in=rows.values("begin_step"))
        by_step |= Q(step__in=rows.filter(end_step__isnull=False).values("end_step"))
        by_id |= Q(pk__in=rows.values("change_set"))
    for facts, path in _FACTS.items():
        of_facts = facts._default_manager.filter(**of_site, **{path: closet}).order_by()
        by_step |= Q(step__in=of_facts.values("step"))
        by_id |= Q(pk__in=of_facts.values("change_set"))
    for path in _READINGS:
        readings = Reading._default_manager.filter(**of_site, **{path: closet}).order_by()
        by_id |= Q(pk__in=readings.values("change_set"))
    found = ChangeSet.objects.filter(
        by_step | by_id, site_id=closet.site_id, state=ChangeSet.State.ACCEPTED, step__lt=before
    ).order_by("-step")[:SHOWN]
    change_sets: list[ChangeSet] = list(found)
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
