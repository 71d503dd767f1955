"""What stood where, as of a day: set-based reading of things and their dated facts.

"As of a day" is after that day's last change set: rows whose step is below ``first_step_after(day)``, called
``before`` here. Each function costs a constant number of queries, whatever the number of sites and things.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Any, TypeVar

from django.db.models import Q, QuerySet

from sites.changes.selectors import primary_key_fields
from sites.changes.steps import first_step_after
from sites.models import DatedFacts, Placed

T = TypeVar("T", bound=Placed)
F = TypeVar("F", bound=DatedFacts)


def before_of(day: dt.date) -> int:
    """The step before which lies all that holds as of ``day``."""
    return first_step_after(day)


def standing(things: type[T], before: int, **filters: Any) -> QuerySet[T]:
    """Things that had begun before the step and had not ended before it."""
    return things._default_manager.filter(
        Q(end_step__isnull=True) | Q(end_step__gte=before), begin_step__lt=before, **filters
    )


def facts_before(facts: type[F], before: int, **filters: Any) -> QuerySet[F]:
    """The last row of facts before the step of every thing that ``filters`` (``site_id__in`` and such)
    choose."""
    things = [name for name in primary_key_fields(facts) if name != "step"]
    return (
        facts._default_manager.filter(step__lt=before, **filters).order_by(*things, "-step").distinct(*things)
    )


def things_with_facts(
    things: type[T], facts: type[F], before: int, *, site_ids: Collection[int], **filters: Any
) -> list[tuple[T, F | None]]:
    """Each thing that stood on the sites with the facts that held of it, in two queries."""
    (key,) = (name for name in primary_key_fields(facts) if name != "step")
    held = {
        getattr(row, key): row
        for row in facts_before(facts, before, site_id__in=site_ids).select_related(*_shared(facts))
    }
    return [
        (thing, held.get(thing.pk)) for thing in standing(things, before, site_id__in=site_ids, **filters)
    ]


def history(facts: type[F], *thing: int) -> QuerySet[F]:
    """All rows of facts of a thing, in the order in which they hold."""
    keys = (name for name in primary_key_fields(facts) if name != "step")
    return facts._default_manager.filter(**dict(zip(keys, thing, strict=True))).order_by("step")


def _shared(facts: type[DatedFacts]) -> list[str]:
    """The references to the catalogue: what a row of facts is hardly read without."""
    return [
        field.name
        for field in facts._meta.fields
        if field.is_relation and field.related_model._meta.db_table in ("device_model", "cable_type")  # type: ignore[union-attr]
    ]
