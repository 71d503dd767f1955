"""Calendars: made and removed; and who sees what at the address of one."""

from __future__ import annotations

import re
import secrets
from typing import Final

from django.db import transaction
from django.db.models import QuerySet

from sites.access.credentials import digest_of
from sites.access.gates import Gate, NotFound
from sites.access.scope import Scope
from sites.access.selectors import Principal, principal_of
from sites.changes.errors import ChangeRefused, Problem
from sites.models.access import Calendar, User

MOST: Final = 20
"""Most calendars that a person can have."""
_KEY: Final = re.compile(r"[A-Za-z0-9_-]{43}")


def own_calendars(principal: Principal) -> QuerySet[Calendar]:
    """Those of the one asking, the oldest first."""
    return Calendar.objects.filter(owner=principal.user).order_by("id")


class CalendarGate(Gate[Calendar]):
    """Nobody but the owner sees a calendar among others."""

    def __call__(self, *, principal: Principal, id: int) -> Calendar:  # noqa: A002 - of an address
        row = own_calendars(principal).filter(pk=id).first()
        if row is None:
            raise NotFound
        return row


calendar_for = CalendarGate(Calendar)


@transaction.atomic
def calendar_add(*, principal: Principal, name: str) -> tuple[Calendar, str]:
    """A calendar, and the key of its address, which is stored nowhere and never shown again."""
    User.objects.select_for_update(no_key=True).get(pk=principal.user.pk)
    if own_calendars(principal).count() >= MOST:
        raise ChangeRefused([Problem(f"You have {MOST} calendars: remove one first.", "conflict")])
    key = secrets.token_urlsafe(32)
    return Calendar.objects.create(owner=principal.user, name=name, digest=digest_of(key)), key


def calendar_remove(*, calendar: Calendar) -> None:
    """From now on there is nothing at its address."""
    calendar.delete()


def calendar_at(key: str) -> tuple[Calendar, Scope] | None:
    """The calendar of a key, and what its owner sees now. None: there is none, or its owner is switched off
    or sees no customer any more."""
    if not _KEY.fullmatch(key):
        return None
    row = Calendar.objects.select_related("owner").filter(digest=digest_of(key)).first()
    if row is None or not row.owner.is_active:
        return None
    scope = principal_of(row.owner).scope
    return (row, scope) if scope.is_everything or scope.customer_ids else None
