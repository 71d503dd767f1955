"""Deliveries taken by a sender, with what it sends, and taken back from one that did not finish."""

from __future__ import annotations

import datetime as dt
import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import orjson
from cryptography.fernet import InvalidToken
from django.conf import settings
from django.db import connection, transaction
from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from api.events.feed import SOURCE, cloud_event, with_text
from api.events.publisher import feed_now
from sites.access.scope import Scope, scoped
from sites.models import Delivery, DeliveryAttempt, Event, Subscription
from sites.services.secrets import field_keys

from .order import close
from .subscribed import locked_of, scope_of, sending

AT_ONCE: Final = 4
"""Most attempts under way to one subscription; one while it fails, so a receiver that hangs costs little."""
LEASE_TIMEOUTS: Final = 3
"""A lease lasts this many times the limit of an attempt; a sender that does not finish loses it then."""
TEST_KIND: Final = "subscription.test"

_Outcome = DeliveryAttempt.Outcome

_ROWS: Final = """
    SELECT due.* FROM unnest(%s::bigint[], %s::int[]) AS ready (id, at_once),
        LATERAL (SELECT * FROM delivery
                 WHERE subscription_id = ready.id AND state = 'waiting' AND next_attempt_at <= %s
                 ORDER BY next_attempt_at, id
                 LIMIT greatest(0, at_once - (SELECT count(*) FROM delivery AS taken
                                              WHERE taken.subscription_id = ready.id AND lease IS NOT NULL))
                ) AS due
    LIMIT %s
"""
_LEASE: Final = """
    WITH leased AS (
        UPDATE delivery SET lease = gen_random_uuid(), next_attempt_at = NULL, leased_until = %s,
                            attempts = attempts + 1
        WHERE id = ANY (%s) RETURNING id, lease),
    begun AS (
        INSERT INTO delivery_attempt (delivery_id, at, error) SELECT id, %s, %s FROM leased
        RETURNING id, delivery_id)
    SELECT leased.id, lease, begun.id FROM leased JOIN begun ON delivery_id = leased.id
"""


@dataclass(frozen=True)
class Due:
    """A delivery that this process sends now. secrets: those that sign; empty: no key opens them."""

    delivery_id: int
    attempt_id: int
    subscription_id: int
    lease: uuid.UUID
    url: str
    message_id: str
    body: bytes
    secrets: tuple[str, ...]


def claim(*, most: int, leave_out: Collection[int] = ()) -> list[Due]:
    """Take what is due, `most` at most, some of each subscription. leave_out: subscriptions of which none is
    taken.

    1. What a sender took and did not finish is due again.
    2. Each subscription is locked, by one process at a time.
    3. What its owner may see is asked again: what they may no longer see is never sent.
    While the feed is held, none is taken. In a constant number of statements, but one for each scope.
    """
    take_back()
    now = timezone.now()
    ready = sending().filter(Q(paused_until=None) | Q(paused_until__lte=now), Exists(_due(now)))
    # Those that have no room are not locked and looked into: while they hang, that is nearly always
    ids = [
        row.pk
        for row in ready.exclude(pk__in=leave_out).annotate(under_way=_under_way()).order_by("?")
        if row.under_way < _limit(row)
    ]
    # Where the database was restored since, this is what notices it
    if most <= 0 or not ids or feed_now().held_since is not None:
        return []
    return _claim(ids[:most], most)


def _due(now: dt.datetime) -> QuerySet[Delivery]:
    return Delivery.objects.filter(
        subscription=OuterRef("pk"), state=Delivery.State.WAITING, next_attempt_at__lte=now
    )


@transaction.atomic
def _claim(subscription_ids: Sequence[int], most: int) -> list[Due]:
    scopes = {
        row: scope
        for row in locked_of(subscription_ids, wait=False)
        if row.state == Subscription.State.ON and (scope := scope_of(row)) is not None
    }
    now = timezone.now()
    rows = _rows(list(scopes), now, most)
    bodies = _bodies(rows, scopes)
    withheld = {row.pk: (row.subscription_id, row.subject) for row in rows if row.pk not in bodies}
    close(withheld, Delivery.State.WITHHELD, now)
    secrets = {row.pk: _secrets(row, now) for row in scopes}
    urls = {row.pk: row.url for row in scopes}
    leases = _lease([row.pk for row in rows if row.pk in bodies], now)
    return [
        Due(
            delivery_id=row.pk, attempt_id=leases[row.pk][1], subscription_id=row.subscription_id,
            lease=leases[row.pk][0], url=urls[row.subscription_id], message_id=str(row.uid),
            body=bodies[row.pk], secrets=secrets[row.subscription_id],
        )
        for row in rows
        if row.pk in leases
    ]  # fmt: skip


def _rows(subscriptions: Sequence[Subscription], now: dt.datetime, most: int) -> list[Delivery]:
    """What is due of each subscription, as far as it has room now."""
    ready = [[row.pk for row in subscriptions], [_limit(row) for row in subscriptions]]
    return list(Delivery.objects.raw(_ROWS, [*ready, now, most]))


def _bodies(rows: Sequence[Delivery], scopes: Mapping[Subscription, Scope]) -> dict[int, bytes]:
    """What is sent, by delivery; without what its owner may no longer see. An event is read once for all
    subscriptions that may see the same."""
    alike: dict[tuple[Scope, bool], list[Delivery]] = defaultdict(list)
    kinds = {row.pk: (scope, row.telephones) for row, scope in scopes.items()}
    bodies = {}
    for row in rows:
        if row.event_id is None:
            bodies[row.pk] = _test_body(row)
        else:
            alike[kinds[row.subscription_id]].append(row)
    for (scope, telephones), some in alike.items():
        in_scope = scoped(Event, scope).filter(pk__in={row.event_id for row in some})
        events = {row.pk: cloud_event(row) for row in with_text(in_scope, telephones=telephones)}
        bodies |= {row.pk: events[row.event_id] for row in some if row.event_id in events}
    return bodies


def _lease(delivery_ids: Sequence[int], now: dt.datetime) -> dict[int, tuple[uuid.UUID, int]]:
    """Lease deliveries and begin their attempts; returns lease and attempt of each that is still there."""
    until = now + dt.timedelta(seconds=LEASE_TIMEOUTS * settings.PUSH_TIMEOUT_S)
    with connection.cursor() as cursor:
        cursor.execute(_LEASE, [until, list(delivery_ids), now, _Outcome.UNDER_WAY])
        return {delivery_id: (lease, attempt_id) for delivery_id, lease, attempt_id in cursor.fetchall()}


def _limit(subscription: Subscription) -> int:
    return AT_ONCE if subscription.failing_since is None else 1


def _under_way() -> Coalesce:
    """How many attempts to a subscription are under way."""
    taken = Delivery.objects.filter(subscription=OuterRef("pk"), lease__isnull=False).order_by()
    counted = taken.values("subscription").annotate(count=Count("pk")).values("count")
    return Coalesce(Subquery(counted), 0)


def take_back() -> int:
    """What a sender took, and did not finish in time, is due again: the sender was killed, or is frozen."""
    now = timezone.now()
    late = Delivery.objects.filter(lease__isnull=False, leased_until__lt=now)
    if not late.exists():
        return 0
    with transaction.atomic():
        ids = list(late.select_for_update(skip_locked=True).values_list("pk", flat=True))
        end_attempts(ids)
        return Delivery.objects.filter(pk__in=ids).update(lease=None, leased_until=None, next_attempt_at=now)


def end_attempts(delivery_ids: Sequence[int]) -> None:
    DeliveryAttempt.objects.filter(delivery__in=delivery_ids, error=_Outcome.UNDER_WAY).update(
        error=_Outcome.CUT_OFF
    )


def _secrets(subscription: Subscription, now: dt.datetime) -> tuple[str, ...]:
    """Secrets that sign: the present one, and for a time the one before."""
    kept = [subscription.secret]
    if subscription.old_secret is not None and (subscription.old_secret_until or now) > now:
        kept.append(subscription.old_secret)
    try:
        return tuple(field_keys().decrypt(bytes(one)).decode() for one in kept)
    except InvalidToken:
        return ()


def _test_body(row: Delivery) -> bytes:
    return orjson.dumps(
        {
            "specversion": "1.0",
            "id": str(row.uid),
            "source": SOURCE,
            "type": TEST_KIND,
            "subject": row.subject,
            "time": row.created_at.isoformat().replace("+00:00", "Z"),
            "datacontenttype": "application/json",
            "data": {"title": "A test of this subscription. Nothing happened."},
        }
    )
