"""How an attempt went, and what follows: the next one, the end, or a subscription that is switched off."""

from __future__ import annotations

import datetime as dt
import random
import uuid
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import structlog
from django.conf import settings
from django.db import connection, transaction
from django.utils import timezone

from api.events.outbound import Answer
from sites.models import Delivery, Subscription

from .order import Subject, close
from .subscribed import locked_of
from .taken import Due, end_attempts

log = structlog.get_logger(__name__)

AFTER_S: Final = (5, 30, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 72_000)
"""How long after each failure the next attempt comes: eleven attempts in three days."""
JITTER: Final = 0.2
"""Each wait is shorter or longer by up to this share, so that deliveries that failed together do not return
together."""
OFF_AFTER: Final = dt.timedelta(days=5)

_NOTE: Final = """
    UPDATE delivery_attempt AS attempt
    SET status = ended.status, error = ended.error, duration_ms = ended.duration_ms
    FROM unnest(%s::bigint[], %s::int[], %s::text[], %s::int[]) AS ended (id, status, error, duration_ms)
    WHERE attempt.id = ended.id
"""


@dataclass(frozen=True)
class Ended:
    """An attempt that ended, and how."""

    due: Due
    answer: Answer
    took_s: float

    @property
    def delivered(self) -> bool:
        return self.answer.status is not None and 200 <= self.answer.status <= 299


@transaction.atomic
def finish(ended: Collection[Ended]) -> None:
    """Note how attempts went, and what follows. In a constant number of statements.

    1. Lock their subscriptions, in the order of their ids. 2. Lock the deliveries whose leases are still
    held. 3. End all attempts in any case. 4. Nothing else follows where the lease was lost: another sender
    has it then.
    """
    subscriptions = {row.pk: row for row in locked_of({one.due.subscription_id for one in ended})}
    held = _held([one.due for one in ended])
    _note(ended)
    now = timezone.now()
    follows = _Follows(now)
    for one in ended:
        row = held.get(one.due.lease)
        if row is not None:
            follows.add(subscriptions[one.due.subscription_id], row, one)
    follows.write()


@transaction.atomic
def give_back(cut_off: Collection[Due]) -> None:
    """Attempts were cut off, since this process is told to stop: the next sender makes others, at once."""
    locked_of({due.subscription_id for due in cut_off})
    ids = [row.pk for row in _held(cut_off).values()]
    Delivery.objects.filter(pk__in=ids).update(lease=None, leased_until=None, next_attempt_at=timezone.now())
    end_attempts(ids)


def switch_off(subscription: Subscription, why: Subscription.Reason, now: dt.datetime) -> None:
    """Its row is locked, and saved by the caller. What waits stays, for when it is switched on again."""
    if subscription.state == Subscription.State.OFF:
        return
    subscription.state, subscription.off_because = Subscription.State.OFF, why
    subscription.state_since = now
    subscription.version += 1
    if why != Subscription.Reason.ASKED:
        log.warning(
            "a subscription was switched off", subscription=subscription.pk, url=subscription.url, why=why
        )


class _Follows:
    """What follows from attempts: gathered one by one, and written together."""

    def __init__(self, now: dt.datetime) -> None:
        self._now = now
        self._delivered: dict[int, Subject] = {}
        self._dead: dict[int, Subject] = {}
        self._again: list[Delivery] = []
        self._changed: dict[int, Subscription] = {}

    def add(self, subscription: Subscription, row: Delivery, ended: Ended) -> None:
        before = _state_of(subscription)
        if ended.delivered:
            subscription.failing_since = None
            self._delivered[row.pk] = row.subscription_id, row.subject
        elif ended.answer.status == 410:
            self._try_again(row, self._now)
            switch_off(subscription, Subscription.Reason.GONE, self._now)
        else:
            self._failed(subscription, row, ended.answer)
        if _state_of(subscription) != before:
            self._changed[subscription.pk] = subscription

    def write(self) -> None:
        Delivery.objects.bulk_update(self._again, ["failures", "next_attempt_at", "lease", "leased_until"])
        close(self._delivered, Delivery.State.DELIVERED, self._now)
        close(self._dead, Delivery.State.DEAD, self._now)
        for subscription in self._changed.values():
            subscription.save(update_fields=_STATE)

    def _failed(self, subscription: Subscription, row: Delivery, answer: Answer) -> None:
        row.failures += 1
        waits_s = None
        if row.event_id is not None and row.failures <= len(AFTER_S):
            jitter = random.uniform(1 - JITTER, 1 + JITTER)  # noqa: S311 - no secret
            waits_s = AFTER_S[row.failures - 1] * jitter * settings.PUSH_TIME_SCALE
        if answer.retry_after_s:
            subscription.paused_until = self._now + dt.timedelta(seconds=answer.retry_after_s)
        if row.event_id is not None:  # of a test nothing follows
            subscription.failing_since = subscription.failing_since or self._now
            if self._now - subscription.failing_since >= OFF_AFTER:
                switch_off(subscription, Subscription.Reason.FAILING, self._now)
        if waits_s is None:
            self._dead[row.pk] = row.subscription_id, row.subject
        self._try_again(row, self._now + dt.timedelta(seconds=waits_s or 0.0))

    def _try_again(self, row: Delivery, at: dt.datetime) -> None:
        row.next_attempt_at, row.lease, row.leased_until = at, None, None
        self._again.append(row)


_STATE: Final = ("failing_since", "paused_until", "state", "off_because", "state_since", "version")


def _state_of(subscription: Subscription) -> list[object]:
    return [getattr(subscription, field) for field in _STATE]


def _held(taken: Collection[Due]) -> dict[uuid.UUID | None, Delivery]:
    """The deliveries whose leases are still held, by these; their rows are locked."""
    leases = {due.lease for due in taken}
    rows = Delivery.objects.select_for_update(no_key=True).order_by("pk")
    ids = [due.delivery_id for due in taken]
    return {row.lease: row for row in rows.filter(pk__in=ids, lease__in=leases)}


def _note(ended: Collection[Ended]) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            _NOTE,
            [
                [one.due.attempt_id for one in ended],
                [one.answer.status for one in ended],
                [one.answer.error for one in ended],
                [round(one.took_s * 1000) for one in ended],
            ],
        )


def forget_tests(before: dt.datetime) -> None:
    """Delete old tests. Deliveries of events go with these."""
    Delivery.objects.filter(event=None, created_at__lt=before).delete()
