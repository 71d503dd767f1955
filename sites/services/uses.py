"""Uses of a thing, which must end before the thing can end."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from django.db.models import F, Min, OuterRef, Q, QuerySet, Subquery

from sites.changes.errors import ChangeRefused, Problem
from sites.changes.work import Work, describe
from sites.models import DatedFacts, Placed
from sites.models.dated import thing_fields

# What of the rooms above uses a thing of ours: (work, thing) -> descriptions
UsedBy = Callable[[Work, Placed], Iterable[str]]
_used_by: dict[type[Placed], list[UsedBy]] = {}


def used_by(*kinds: type[Placed]) -> Callable[[UsedBy], UsedBy]:
    """Register a function that names what still uses a thing of one of ``kinds`` at the step of the work."""

    def register(function: UsedBy) -> UsedBy:
        for kind in kinds:
            _used_by.setdefault(kind, []).append(function)
        return function

    return register


def require_unused(work: Work, *things: Placed) -> None:
    """Refuse to end things that others still refer to, naming them."""
    problems = []
    for thing in things:
        users = [user for ask in _used_by.get(type(thing), []) for user in ask(work, thing)]
        if users:
            named = ", ".join(users[:8]) + (f" and {len(users) - 8} more" if len(users) > 8 else "")
            problems.append(
                Problem(f"{describe(thing)} is still used by {named}: see to these first.", "in_use")
            )
    if problems:
        raise ChangeRefused(problems)


def standing_at(work: Work, model: type[Any], **filters: Any) -> QuerySet[Any]:
    """Things that stand at the step of the work, or begin after it."""
    standing: QuerySet[Any] = model._default_manager.filter(
        Q(end_step__isnull=True) | Q(end_step__gt=work.step), site_id=work.site_id, **filters
    )
    return standing


def users_from(work: Work, facts: type[DatedFacts], thing: str, **filters: Any) -> QuerySet[Any]:
    """The rows of ``facts_from`` with their ``thing`` (a reference), where it has not ended."""
    stands = Q(**{f"{thing}__end_step__isnull": True}) | Q(**{f"{thing}__end_step__gt": work.step})
    return facts_from(work, facts, **filters).filter(stands).select_related(thing)


def facts_from(work: Work, facts: type[DatedFacts], **filters: Any) -> QuerySet[Any]:
    """Rows of facts that hold at the step of the work or at some step after it, and say ``filters``."""
    names = thing_fields(facts)
    later = facts._default_manager.filter(
        **{name: OuterRef(name) for name in names}, step__gt=OuterRef("step")
    )
    next_step = Subquery(later.order_by().values(*names).annotate(first=Min("step")).values("first"))
    return (
        facts._default_manager.filter(site_id=work.site_id, **filters)
        .annotate(next_step=next_step)
        .filter(Q(next_step__isnull=True) | Q(next_step__gt=work.step))
        .order_by(F("step"))
    )
