"""Which delivery of a subject is next: the first that waits, once the one before it is closed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from typing import Final

from django.db import connection
from django.db.models import Q, QuerySet

from sites.models import Delivery

Subject = tuple[int, str]
"""A subscription and one of its subjects."""

_START_FIRST: Final = """
    UPDATE delivery SET next_attempt_at = %s
    FROM unnest(%s::bigint[], %s::text[]) AS closed (subscription_id, subject),
         LATERAL (SELECT id FROM delivery AS waiting
                  WHERE waiting.subscription_id = closed.subscription_id
                    AND waiting.subject = closed.subject AND state = 'waiting'
                  ORDER BY sequence, id LIMIT 1) AS first
    WHERE delivery.id = first.id
"""


def waiting_of(subscription_id: int) -> QuerySet[Delivery]:
    return Delivery.objects.filter(subscription=subscription_id, state=Delivery.State.WAITING)


def close(rows: Mapping[int, Subject], state: Delivery.State, now: dt.datetime) -> None:
    """Close deliveries: they are sent no more, and the next one of each subject gets its time. Their
    subscriptions are locked, and each was under way or had its time: so of its subject no other is or has."""
    if not rows:
        return
    Delivery.objects.filter(pk__in=list(rows)).update(
        state=state, finished_at=now, next_attempt_at=None, lease=None, leased_until=None
    )
    _start_first(rows.values(), now)


def start_next(subscription_id: int, subjects: Collection[str], now: dt.datetime) -> None:
    """Give the first of each subject that waits its time, unless one is under way or has it."""
    started = Q(lease__isnull=False) | Q(next_attempt_at__isnull=False)
    rows = waiting_of(subscription_id).filter(started, subject__in=subjects)
    left = set(subjects) - set(rows.values_list("subject", flat=True))
    _start_first([(subscription_id, subject) for subject in left], now)


def _start_first(subjects: Iterable[Subject], now: dt.datetime) -> None:
    subjects = list(subjects)
    if not subjects:
        return
    with connection.cursor() as cursor:
        cursor.execute(
            _START_FIRST, [now, [which for which, _ in subjects], [subject for _, subject in subjects]]
        )


def start_orphans() -> int:
    """Give the first that waits of each subject its time, where the one before it is gone with its event;
    returns how many. Times are moved in one transaction, so nothing else looks like that."""
    with connection.cursor() as cursor:
        cursor.execute(
            """UPDATE delivery SET next_attempt_at = now()
               FROM (SELECT DISTINCT ON (subscription_id, subject) id FROM delivery AS one
                     WHERE state = 'waiting' AND NOT EXISTS (
                         SELECT FROM delivery AS other
                         WHERE other.state = 'waiting' AND other.subscription_id = one.subscription_id
                           AND other.subject = one.subject
                           AND (other.lease IS NOT NULL OR other.next_attempt_at IS NOT NULL))
                     ORDER BY subscription_id, subject, sequence, id) AS first
               WHERE delivery.id = first.id"""
        )
        count: int = cursor.rowcount
    return count
