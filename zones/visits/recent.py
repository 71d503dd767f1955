"""The last changes to what stands in a closet and is landed on its blocks."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Q

from sites.changes.operations import operations
from sites.models import Closet
from sites.models.changes import ChangeSet
from zones.models import ClipFacts, Landing, PointFacts, Reading
from zones.subjects import SUBJECTS

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
    """what: what was done, in the words of its operations; empty where its rows were written otherwise, as by
    an import."""

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
    """The last few change sets before a step that touched something here, the latest first. One query.

    A row of facts names its change set by the step from which it holds, and the one that last corrected it by
    id; a thing has the steps at which it began and ended.
    """
    by_step, by_id = Q(), Q(pk=closet.change_set_id)
    for things, path in _THINGS.items():
        rows = things._default_manager.filter(**{path: closet}).order_by()
        by_step |= Q(step__in=rows.values("begin_step"))
        by_step |= Q(step__in=rows.filter(end_step__isnull=False).values("end_step"))
        by_id |= Q(pk__in=rows.values("change_set"))
    for facts, path in _FACTS.items():
        of_facts = facts._default_manager.filter(**{path: closet}).order_by()
        by_step |= Q(step__in=of_facts.values("step"))
        by_id |= Q(pk__in=of_facts.values("change_set"))
    for path in _READINGS:
        by_id |= Q(pk__in=Reading._default_manager.filter(**{path: closet}).order_by().values("change_set"))
    found = ChangeSet.objects.filter(
        by_step | by_id, site_id=closet.site_id, state=ChangeSet.State.ACCEPTED, step__lt=before
    ).order_by("-step")[:SHOWN]
    sentences = {one.name: one.sentence for one in operations()}
    return tuple(
        shown(RecentChange, row, kind=row.get_kind_display(), what=_done(row.operations, sentences))
        for row in found
    )


def _done(bodies: Iterable[Mapping[str, Any]], sentences: Mapping[str, str]) -> tuple[str, ...]:
    """What was done, each kind of operation once, with how often."""
    counts = Counter(sentences.get(body["op"], body["op"]) for body in bodies)
    return tuple(
        sentence if count == 1 else f"{sentence} ({count} times)" for sentence, count in counts.items()
    )
