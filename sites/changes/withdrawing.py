"""Withdrawing what was recorded by mistake today, whole: what a change set wrote is undone as if it had never
been, and the change record keeps both.

The database does it (``sql_v2/withdrawal.py``) and refuses what is not whole. This module names what
stands in the way: what refers to the things that were made, and what was recorded later.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, cast
from zoneinfo import ZoneInfo

from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, models, transaction

from sites.fields import SiteKey
from sites.models.access import User
from sites.models.changes import REWROTE, Change, ChangeSet, Withdrawal
from sites.models.dated import DatedFacts, Recorded, thing_fields
from sites.models.places import Site

from .constraints import problem_of
from .errors import ChangeConflict, ChangeRefused, Problem, refuse
from .making import today_in
from .operations import SITE_ADD, require_may_accept
from .selectors import describe_change_set
from .signals import change_set_withdrawn
from .work import describe

# What does not end with the rows that it wrote
_NEVER_WHOLE = {
    SITE_ADD: "later records of the site refer to it",
    "catalogue.follow": "it records an edit of the catalogue, which all sites share: undo that edit there",
    REWROTE: "it records values that an import brought already corrected: record a correction",
}
# Named at most, of what stands in the way
_MOST = 5


@transaction.atomic
def withdraw_recorded(
    *, change_set: ChangeSet, user: User, reason: str, expected_version: int | None = None
) -> ChangeSet:
    """Withdraw a change set of today: what it made is gone, what it superseded or rewrote is as it was.

    1. Lock its row and then the site's, in the order in which an acceptance takes them.
    2. Refuse what cannot be whole, naming all that stands in the way.
    3. Record the withdrawal: the database undoes the rows, keeps a change row of each, and marks the site.
    4. Check deferred keys, send the signal.
    """
    row = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    if expected_version is not None and row.version != expected_version:
        raise ChangeConflict(
            [Problem("This change set was changed meanwhile; look at it again.", "conflict")]
        )
    if row.state != ChangeSet.State.ACCEPTED:
        detail = f"This change set is {row.get_state_display()}; only a recorded one can be withdrawn."
        raise refuse(detail, code="not_accepted")
    require_may_accept(user, row.site_id, row.operations, "ask one to withdraw this")
    list(Site.objects.select_for_update(no_key=True).filter(pk=row.site_id or 0).values_list("pk"))
    _require_whole(row)
    withdrawal = Withdrawal(
        change_set=row, user=user, actor=user.get_full_name() or user.get_username(), reason=reason
    )
    try:
        withdrawal.clean_fields(exclude=["change_set", "user"])
    except ValidationError as error:
        raise ChangeRefused(
            Problem(f"{name}: {texts[0]}", "invalid", f"/{name}")
            for name, texts in error.message_dict.items()
        ) from error
    try:
        withdrawal.save(force_insert=True)
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED")
    except IntegrityError as error:
        raise ChangeRefused([problem_of(error)]) from error
    row.refresh_from_db()
    change_set_withdrawn.send(ChangeSet, change_set=row)
    return row


def _require_whole(row: ChangeSet) -> None:
    if row.site_id is None:
        done = ", ".join(dict.fromkeys(body["op"] for body in row.operations)) or "It"
        detail = f"{done} changes what all sites share, which cannot be withdrawn: edit it back."
        raise refuse(detail, code="cannot_be_withdrawn")
    never = [body["op"] for body in row.operations if body["op"] in _NEVER_WHOLE]
    if never:
        detail = f"{never[0]} cannot be withdrawn: {_NEVER_WHOLE[never[0]]}."
        raise refuse(detail, code="cannot_be_withdrawn")
    time_zone = Site.objects.values_list("time_zone", flat=True).get(pk=row.site_id)
    recorded_on = cast("datetime", row.recorded_at).astimezone(ZoneInfo(time_zone)).date()
    if recorded_on != today_in(time_zone):
        raise refuse(
            f"This change set was recorded on {recorded_on}, and is withdrawn on that day only: record a "
            "correction.",
            code="of_an_earlier_day",
        )
    later = list(dict.fromkeys(_recorded_later(row)))
    if not later:
        later = list(dict.fromkeys(_referring(row)))
    if later:
        problems = [Problem(f"This cannot be withdrawn: {one}.", "in_use") for one in later[:_MOST]]
        if len(later) > _MOST:
            problems.append(Problem("And more like these.", "in_use"))
        raise ChangeRefused(problems)


def _recorded_later(row: ChangeSet) -> Iterator[str]:
    """What the change set wrote, and another one wrote again later; of facts, any later ones of the thing."""
    for model, rows in _written(row, ["insert", "update"]).items():
        if issubclass(model, DatedFacts):
            names = thing_fields(model)
            things = {tuple(one[name] for name in names) for one in rows}
            found: models.QuerySet[Any] = model._default_manager.filter(
                **{f"{names[0]}__in": {thing[0] for thing in things}},
                change_set__recorded_at__gt=row.recorded_at,
            )
            changed = [one for one in found if tuple(getattr(one, name) for name in names) in things]
        else:
            found = model._default_manager.filter(pk__in={one["id"] for one in rows})
            changed = list(found.exclude(change_set=row))
        yield from (f"{_what(one)} was recorded again later by {_by(one)}" for one in changed)


def _referring(row: ChangeSet) -> Iterator[str]:
    """What others wrote that names what the change set made."""
    for model, rows in _written(row, ["insert"]).items():
        if issubclass(model, DatedFacts):
            continue
        made = {one["id"] for one in rows}
        for relation in _relations_to(model):
            related, name = relation.related_model, relation.field.name
            others = related._default_manager.filter(**{f"{name}__in": made})
            if issubclass(related, Recorded):
                others = others.exclude(change_set=row)
            elif not isinstance(relation.field, SiteKey):
                continue  # what a recheck found, which the next one finds again
            for other in others.select_related(name)[: _MOST + 1]:
                by = f", recorded by {_by(other)}," if issubclass(related, Recorded) else ""
                yield f"{_what(other)}{by} refers to {describe(getattr(other, name))}"


def _relations_to(model: type[models.Model]) -> list[Any]:
    """The keys of other models, and its own, that name rows of a model."""
    every = model._meta.get_fields(include_hidden=True)
    return [one for one in every if one.auto_created and (one.one_to_many or one.one_to_one)]


def _written(row: ChangeSet, done: Iterable[str]) -> dict[type[models.Model], list[dict[str, Any]]]:
    """The rows that a change set wrote, as it wrote them, by the model of their table."""
    by_table = {model._meta.db_table: model for model in apps.get_models()}
    found: dict[type[models.Model], list[dict[str, Any]]] = defaultdict(list)
    for change in Change.objects.filter(change_set=row, operation__in=list(done)):
        found[by_table[change.table_name]] += change.new_rows or []
    return found


def _what(row: models.Model) -> str:
    """A row as a person refers to it; facts by the thing they belong to."""
    if isinstance(row, DatedFacts):
        return describe(getattr(row, thing_fields(type(row))[0].removesuffix("_id")))
    return describe(row)


def _by(row: Any) -> str:
    return describe_change_set(ChangeSet.objects.filter(pk=row.change_set_id).first())


def why_gone(model: type[models.Model], pk: int, changes: models.QuerySet[Change]) -> str | None:
    """Why there is no row of that id any more: the withdrawal that removed it, if it is among ``changes`` (in
    the scope of the person who asks); None where none did."""
    gone = changes.filter(
        operation="delete", table_name=model._meta.db_table, old_rows__contains=[{"id": pk}]
    ).values("change_set")
    found = Withdrawal.objects.filter(change_set__in=gone).select_related("change_set__site").first()
    if found is None or found.change_set.site is None:
        return None
    day = found.withdrawn_at.astimezone(ZoneInfo(found.change_set.site.time_zone)).date()
    return (
        f"The {model._meta.verbose_name} {pk} is not there: {describe_change_set(found.change_set)} recorded "
        f"it, and was withdrawn on {day} by {found.actor}: “{found.reason}”."
    )
