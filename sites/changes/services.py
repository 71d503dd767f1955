"""Change sets: drafted, revised, withdrawn, applied, accepted; and those whose rows the caller writes.

A draft is a list of operations as JSON. It is applied when it is made (to learn the row versions it builds
on, and rolled back), when it is evaluated, and when it is accepted. A change from REST or a page is a change
set of one operation that is accepted at once (``operations.accept``).

Order of locks, everywhere: the change set's own row (drafts only), then the site's row, which acceptance
takes in the database; a writer of several sites takes them in the order of their ids. Under READ
COMMITTED, which this service runs at, each statement after the lock sees what the one before it committed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from django.db import connection, transaction

from sites.models.access import User
from sites.models.changes import ChangeSet

from .errors import ChangeConflict, ChangeRefused, Problem
from .making import (
    Change,
    change_context,
    change_set_row,
    each_row_context,
    next_site_id,
    require_said,
    saved,
    today_at,
    today_in,
)
from .operations import (
    SITE_ADD,
    Accepted,
    accept,
    apply_calls,
    kind_for,
    read_operations,
    require_may_accept,
)
from .signals import change_set_accepted
from .withdrawing import withdraw_recorded
from .work import Work, but

__all__ = [
    "SITE_ADD",
    "Accepted",
    "Change",
    "change_accept",
    "change_set_accept",
    "change_set_apply",
    "change_set_draft",
    "change_set_revise",
    "change_set_trial",
    "change_set_withdraw",
    "open_change_set",
    "open_change_sets",
    "today_at",
    "today_in",
    "withdraw_recorded",
]

Kind = ChangeSet.Kind
State = ChangeSet.State


def change_accept(change: Change, bodies: Sequence[Mapping[str, Any]]) -> Accepted[Any]:
    """Make a change set of operations given as JSON, and accept it."""
    return accept(change, read_operations(list(bodies)))


# --- drafts ----------------------------------------------------------------------------------------------


@transaction.atomic
def change_set_draft(change: Change, bodies: Sequence[Mapping[str, Any]]) -> ChangeSet:
    """Keep operations as a draft, with the versions of the rows that each builds on."""
    kind = kind_for(change.kind, read_operations(list(bodies)))
    bodies = _plain(bodies)
    change_set = saved(change_set_row(replace(change, kind=kind), bodies, State.DRAFT))
    change_set.operations = _with_expectations(change_set)
    change_set.save(update_fields=["operations"])
    change_set.refresh_from_db()
    return change_set


@transaction.atomic
def change_set_revise(
    *,
    change_set: ChangeSet,
    bodies: Sequence[Mapping[str, Any]] | None = None,
    reason: str | None = None,
    happened_on: dt.date | None = None,
    planned: bool | None = None,
    job_reference: str | None = None,
    done_by: str | None = None,
    expected_version: int | None = None,
) -> ChangeSet:
    """Change a draft, or make a withdrawn one a draft again; the versions it builds on are read again.

    1. Lock the draft's row, so that it is not accepted meanwhile.
    2. Change it; apply it under the site's lock and roll that back.
    """
    draft = _locked(change_set, expected_version)
    draft.state = State.DRAFT
    if bodies is not None:
        draft.operations = _plain(bodies)
    draft.kind = kind_for(
        None if draft.kind != Kind.TAKEOVER else Kind.TAKEOVER, read_operations(draft.operations)
    )
    draft.reason = draft.reason if reason is None else reason
    draft.job_reference = draft.job_reference if job_reference is None else job_reference
    draft.done_by = draft.done_by if done_by is None else done_by
    draft.happened_on = draft.happened_on if happened_on is None else happened_on
    draft.planned = draft.planned if planned is None else planned
    require_said(draft)
    draft.operations = _plain(draft.operations)
    draft.save()
    draft.operations = _with_expectations(draft)
    draft.save(update_fields=["operations"])
    draft.refresh_from_db()
    return draft


@transaction.atomic
def change_set_withdraw(*, change_set: ChangeSet, expected_version: int | None = None) -> ChangeSet:
    """Put a draft aside; it stays, and can be made a draft again."""
    draft = _locked(change_set, expected_version)
    draft.state = State.WITHDRAWN
    draft.save()
    draft.refresh_from_db()
    return draft


@transaction.atomic
def change_set_accept(
    *,
    change_set: ChangeSet,
    user: User,
    happened_on: dt.date | None = None,
    planned: bool | None = None,
    job_reference: str | None = None,
    done_by: str | None = None,
    expected_version: int | None = None,
) -> Accepted[Any]:
    """Make a draft the record.

    1. Lock the draft's row: of two who accept it, the second finds it accepted. Refuse a user who may not.
    2. Turn it to accepted: the database locks the site's row and gives the step.
    3. Apply operation by operation; a row that is not of the version the draft was made with is a
       ChangeConflict that names the operation and the change set in between, and nothing is written.
    """
    draft = _locked(change_set, expected_version)
    if draft.state != State.DRAFT:
        raise ChangeRefused([Problem(f"This change set is {draft.get_state_display()}.", "not_a_draft")])
    advice = "it stays a draft until then"
    require_may_accept(user, draft.site_id, draft.operations, advice)
    without_site = draft.site_id is None
    draft.happened_on = happened_on or draft.happened_on
    draft.planned = draft.planned if planned is None else planned
    draft.job_reference = draft.job_reference if job_reference is None else job_reference
    draft.done_by = draft.done_by if done_by is None else done_by
    draft.accepted_by = user
    require_said(draft)
    work = change_set_apply(draft)
    if without_site:  # whose a new site is, it says itself
        require_may_accept(user, draft.site_id, draft.operations, advice)
    change_set_accepted.send(ChangeSet, change_set=draft)
    return Accepted(draft, work.results)


def change_set_apply(change_set: ChangeSet, *, learning: bool = False) -> Work:
    """Turn a draft to accepted and write its rows, in the caller's transaction.

    To evaluate a draft, do this inside ``transaction.atomic()``, read the plant, and roll back;
    ``change_set_trial`` does just that.
    """
    if not connection.in_atomic_block:
        raise RuntimeError("change_set_apply belongs into a transaction of the caller's")
    calls = read_operations(change_set.operations)
    if change_set.site_id is None and calls[0].operation.name == SITE_ADD:
        change_set.site_id = next_site_id()
    change_set.state = State.ACCEPTED
    saved(change_set)
    change_set.refresh_from_db()
    return apply_calls(change_set, calls, learning=learning)


@contextmanager
def change_set_trial(change_set: ChangeSet) -> Iterator[Work]:
    """Inside, the record is as if ``change_set`` (a draft) were accepted on its day; afterwards nothing is
    left of it."""
    draft = ChangeSet.objects.get(pk=change_set.pk)
    # What may not be accepted before its day can be looked at before
    draft.planned = True
    with transaction.atomic():
        yield change_set_apply(draft, learning=True)
        transaction.set_rollback(True)


# --- rows written by the caller --------------------------------------------------------------------------


@contextmanager
def open_change_set(change: Change) -> Iterator[ChangeSet]:
    """An accepted change set inside which the caller writes rows as it likes: ``bulk_create``, COPY, raw SQL.

    The database holds all of them to it. For imports and other writes of thousands of rows at once.
    """
    with transaction.atomic():
        change_set = saved(change_set_row(change))
        with change_context(change_set):
            yield change_set
        change_set_accepted.send(ChangeSet, change_set=change_set)


@contextmanager
def open_change_sets(
    changes: Sequence[Change], kept: Mapping[int, Sequence[Any]] | None = None
) -> Iterator[list[ChangeSet]]:
    """Many accepted change sets, of many sites, for rows that each name their own (INSERT and COPY only).
    kept: the ids that they get, in the order of ``changes``, and the operations that are kept with each.

    Those of one site are accepted in the order in which they are given; sites are locked in the order of
    their ids, so that two writers of many never wait for each other in a circle. Keep a batch to some
    hundred sites.
    """
    order = sorted(range(len(changes)), key=lambda place: changes[place].site_id or 0)
    with transaction.atomic():
        rows = (
            [
                change_set_row(change, operations)
                for change, operations in zip(changes, kept.values(), strict=True)
            ]
            if kept
            else [change_set_row(change) for change in changes]
        )
        for row, id_ in zip(rows, kept or (), strict=False):
            row.pk = id_
        written = ChangeSet.objects.bulk_create(rows[place] for place in order)
        by_id = ChangeSet.objects.in_bulk([row.pk for row in written])
        change_sets = {place: by_id[row.pk] for place, row in zip(order, written, strict=True)}
        with each_row_context():
            yield [change_sets[place] for place in range(len(changes))]
        for place in range(len(changes)):
            change_set_accepted.send(ChangeSet, change_set=change_sets[place])


# --- the parts -------------------------------------------------------------------------------------------


def _locked(change_set: ChangeSet, expected_version: int | None) -> ChangeSet:
    draft = ChangeSet.objects.select_for_update(of=("self",)).get(pk=change_set.pk)
    if draft.state == State.ACCEPTED:
        raise ChangeRefused([Problem("This change set is accepted and never changes.", "accepted")])
    if draft.recorded_at is not None:
        detail = "This change set was recorded and then withdrawn, which is final: make another one."
        raise ChangeRefused([Problem(detail, "withdrawn")])
    if expected_version is not None and draft.version != expected_version:
        detail = "This draft was changed meanwhile; look at it again."
        raise ChangeConflict([Problem(detail, "conflict")])
    return draft


def _with_expectations(draft: ChangeSet) -> list[dict[str, Any]]:
    """The operations of ``draft``, each with the versions of the rows it builds on as they are now."""
    with change_set_trial(draft) as work:
        found = list(work.found_expectations)
    return [{**body, "expects": expects} for body, expects in zip(draft.operations, found, strict=True)]


def _plain(bodies: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [but(body, ["expects"]) for body in bodies]
