"""The change set behind every write: who changes the record, why and when; the row that this makes; and the
context that names it to the database (``SET LOCAL zonebook.change_set``)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, models
from django.utils import timezone

from sites.models.access import User
from sites.models.changes import ChangeSet
from sites.models.places import Site
from sites.wording import shortened

from .constraints import problem_of
from .errors import ChangeRefused, Problem

FARTHEST_AHEAD = dt.timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Change:
    """Who changes the record, why, and when it happened.

    ``site_id``: None for what all sites share, and for adding a site. ``happened_on``: a day in the site's
    time zone; None: today there. ``planned``: the day may be one to come.
    ``kind``: None: correction where the operations are corrections, else work.
    ``actor``: who records it, as a person reads it; blank: the user's name. ``done_by``: who did the work;
    blank: who records it, as far as anyone said.
    """

    site_id: int | None
    user: User | None
    reason: str
    channel: ChangeSet.Channel
    happened_on: dt.date | None = None
    planned: bool = False
    job_reference: str = ""
    kind: ChangeSet.Kind | None = None
    purpose: ChangeSet.Purpose = ChangeSet.Purpose.RECORD
    actor: str = ""
    done_by: str = ""
    quiet: bool = False


def today_at(site_id: int | None) -> dt.date:
    """Today in the time zone of a site."""
    zones = Site.objects.filter(pk=site_id or 0).values_list("time_zone", flat=True)
    return today_in(zones.first() or "UTC")


def today_in(time_zone: str, now: dt.datetime | None = None) -> dt.date:
    """Today in a time zone, by its name. now: None: by the clock."""
    return now_in(time_zone, now).date()


def now_in(time_zone: str, now: dt.datetime | None = None) -> dt.datetime:
    """Now as clocks of a time zone show it."""
    return (now or timezone.now()).astimezone(ZoneInfo(time_zone))


def next_site_id() -> int:
    """The id of the next site to be added: its change set comes before its own row, and names it."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT nextval(pg_get_serial_sequence('site', 'id'))")
        (site_id,) = cursor.fetchone()
    return int(site_id)


def saved(row: ChangeSet) -> ChangeSet:
    """A change set, saved; a new one has the day and the step that the database gave it. ChangeRefused says
    what the database refused."""
    try:
        row.save(force_insert=row.pk is None)
    except IntegrityError as error:
        raise ChangeRefused([problem_of(error)]) from error
    return row


def change_set_row(
    change: Change, operations: Sequence[Any] = (), state: ChangeSet.State = ChangeSet.State.ACCEPTED
) -> ChangeSet:
    """The row of a change set, not yet inserted; ChangeRefused names all that is wrong with it."""
    user = change.user
    actor = change.actor.strip() or (user.get_full_name() or user.get_username() if user else "")
    accepted = state == ChangeSet.State.ACCEPTED
    row = ChangeSet(
        site_id=change.site_id,
        state=state,
        kind=change.kind or ChangeSet.Kind.WORK,
        purpose=change.purpose,
        channel=change.channel,
        user=user,
        accepted_by=user if accepted else None,
        actor=shortened(actor, ChangeSet._meta.get_field("actor").max_length or 0),
        done_by=change.done_by,
        reason=change.reason,
        job_reference=change.job_reference,
        happened_on=change.happened_on,
        planned=change.planned,
        quiet=change.quiet,
        operations=list(operations),
    )
    require_said(row)
    return row


_SAID = ("reason", "actor", "done_by", "job_reference", "happened_on")
_MISSING = {"reason": "Say why: a change has a reason.", "actor": "Say who: someone did it."}


def require_said(row: ChangeSet) -> None:
    """Refuse a change set that does not say why and who, or says it in a way that cannot be kept."""
    problems = []
    for name in _SAID:
        field: Any = ChangeSet._meta.get_field(name)
        try:
            setattr(row, name, field.clean(getattr(row, name), row))
        except ValidationError as error:
            missing = name in _MISSING and not getattr(row, name).strip()
            detail = _MISSING[name] if missing else f"{name}: {error.messages[0]}."
            problems.append(Problem(detail, "required" if missing else "invalid", f"/{name}"))
    if problems:
        raise ChangeRefused(problems)


def version_of(row: models.Model) -> int:
    """The version of a row: the change set that last wrote it, or its count where it has none."""
    return int(row.change_set_id if hasattr(row, "change_set_id") else row.version)  # type: ignore[attr-defined]


# --- the context of a write ------------------------------------------------------------------------------


_EACH_ROW = "each row"


@contextmanager
def change_context(change_set: ChangeSet | None, *, more_follows: bool = False) -> Iterator[None]:
    """Rows written inside belong to ``change_set``, which this transaction has accepted. ``more_follows``:
    other rows are still to be written before deferred rules can be judged."""
    before = _set_local("zonebook.change_set", str(change_set.pk) if change_set is not None else _EACH_ROW)
    yield
    if more_follows:
        _set_local("zonebook.change_set", before)
        return
    # After an error the transaction, or its savepoint, is rolled back, and the setting with it. Deferred
    # keys are checked here, where the operation is at hand, and not at commit
    with connection.cursor() as cursor:
        cursor.execute(
            "SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED; "
            f"SELECT set_config('zonebook.change_set', '{before if before.isdecimal() else ''}', true)"
        )


def each_row_context() -> AbstractContextManager[None]:
    """Each row inserted inside names a change set that this transaction has accepted for its site."""
    return change_context(None)


@contextmanager
def bulk_lane() -> Iterator[None]:
    """Sites written inside are rechecked after those that a person waits for."""
    before = _set_local("zonebook.lane", "bulk")
    yield
    _set_local("zonebook.lane", before)


def _set_local(name: str, value: str) -> str:
    """Set ``name`` for the rest of the transaction; returns what it was."""
    if not connection.in_atomic_block:
        raise RuntimeError(f"{name} lasts as long as a transaction: enter transaction.atomic() first")
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(current_setting(%s, true), ''), clock_timestamp(), set_config(%s, %s, true)",
            [name, name, value],
        )
        before, now, _set = cursor.fetchone()
    _require_right_clock(now)
    return str(before)


def _require_right_clock(now: dt.datetime) -> None:
    """Refuse to write where our clock is far ahead of the database's, since days and ends of tokens are ours,
    and the steps of the record are the database's."""
    ahead = timezone.now() - now
    if ahead > FARTHEST_AHEAD:
        raise ChangeRefused(
            [
                Problem(
                    f"The clock of this server is {ahead.total_seconds() / 86400:.1f} days ahead of the "
                    "database's, so nothing is written. Set it, and send the same change again.",
                    "clock_ahead",
                )
            ]
        )
