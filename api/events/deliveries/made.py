"""Deliveries made of events: of what was published since, or once more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import Final

from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils import timezone

from api.events.publisher import published_until
from sites.access.scope import Scope, scoped
from sites.models import Delivery, Event, Subscription
from zones.limits.limit import Severity

from .order import start_next, waiting_of
from .subscribed import locked, scope_of, sending

MOST_EVENTS: Final = 1_000
MOST_REPLAYED: Final = 10_000


class TooManyError(Exception):
    """More than `MOST_REPLAYED` would be sent again at once."""


def fan_out(*, most: int = MOST_EVENTS) -> int:
    """Make deliveries of what was published since; returns how many. Each subscription goes on from its own
    place, so one that was switched off, or whose owner was, misses nothing that is kept."""
    published = published_until()
    behind = sending().filter(position__lt=published)
    return sum(
        _fan_out(subscription_id, published, most)
        for subscription_id in behind.order_by("position").values_list("pk", flat=True)
    )


@transaction.atomic
def _fan_out(subscription_id: int, published: int, most: int) -> int:
    subscription = locked(subscription_id, wait=False)
    if subscription is None or subscription.state != Subscription.State.ON:
        return 0
    scope = scope_of(subscription)
    if scope is None:
        return 0
    events = list(
        wanted(subscription, scope)
        .filter(sequence__gt=subscription.position, sequence__lte=published)
        .order_by("sequence")[:most]
    )
    make(subscription, events)
    subscription.position = (events[-1].sequence or 0) if len(events) == most else published
    subscription.save(update_fields=["position"])
    return len(events)


def wanted(subscription: Subscription, scope: Scope) -> QuerySet[Event]:
    """The events that a subscription asks for, in scope, without their bodies."""
    rows = scoped(Event, scope).filter(sequence__isnull=False).defer("body")
    if subscription.kinds:
        rows = rows.filter(kind__in=subscription.kinds)
    if subscription.least_severity:
        least = Severity[subscription.least_severity.upper()]
        severe = [one.name.lower() for one in Severity if one >= least]
        rows = rows.filter(Q(body__case__severity__in=severe) | Q(body__case__severity__isnull=True))
    return rows


def make(subscription: Subscription, events: Iterable[Event]) -> None:
    """Deliveries of events, in their order; of each subject the first has its time, unless one waits
    already."""
    events = list(events)
    subjects = {event.subject for event in events}
    waiting = set(
        waiting_of(subscription.pk)
        .filter(subject__in=subjects)
        .order_by()
        .values_list("subject", flat=True)
        .distinct()
    )
    made, now = [], timezone.now()
    for event in events:
        assert event.sequence is not None
        assert event.uid is not None
        made.append(
            Delivery(
                subscription=subscription, event=event, uid=event.uid, subject=event.subject,
                sequence=event.sequence, next_attempt_at=None if event.subject in waiting else now,
            )
        )  # fmt: skip
        waiting.add(event.subject)
    Delivery.objects.bulk_create(made, batch_size=500)


@transaction.atomic
def replay(subscription_id: int, *, since: dt.datetime, until: dt.datetime, only_dead: bool = False) -> int:
    """Send again what was published in a range of time, whether it was delivered or not; returns how many.
    Each has the id that it had before. What waits already is left alone.

    Only what lies before the subscription's place: the rest comes by itself."""
    subscription = locked(subscription_id)
    scope = None if subscription is None else scope_of(subscription)
    if subscription is None or scope is None:
        return 0
    now = timezone.now()
    again = Delivery.objects.filter(
        ~Q(state=Delivery.State.WAITING),
        subscription=subscription,
        event__in=scoped(Event, scope).filter(published_at__gte=since, published_at__lte=until),
    )
    if only_dead:
        again = again.filter(state=Delivery.State.DEAD)
    known = Delivery.objects.filter(subscription=subscription, event=OuterRef("pk"))
    missing = wanted(subscription, scope).filter(
        ~Exists(known),
        published_at__gte=since,
        published_at__lte=until,
        sequence__lte=subscription.position,
    )
    events = [] if only_dead else list(missing.order_by("sequence")[: MOST_REPLAYED + 1])
    if len(events) + again.count() > MOST_REPLAYED:
        raise TooManyError
    subjects = list(again.order_by("subject").values_list("subject", flat=True).distinct())
    count = again.update(
        state=Delivery.State.WAITING, failures=0, finished_at=None, next_attempt_at=None, lease=None
    )
    make(subscription, events)
    start_next(subscription.pk, subjects, now)
    return count + len(events)
