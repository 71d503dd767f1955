"""Deliveries in tests: made of events, taken and ended."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from api.events.deliveries.made import fan_out
from api.events.deliveries.taken import Due, claim
from api.events.outbound import Answer
from api.events.publisher import publish
from sites.models import Delivery, Site, Subscription
from tests.api.events.telling import happen

GOOD, BAD = Answer(204), Answer(500)
LONG = dt.timedelta(hours=30)


def happened(site: Site, *subjects: str, **values: Any) -> None:
    happen(site, *subjects, **values)
    publish()
    fan_out()


def take(most: int = 100) -> list[Due]:
    return claim(most=most)


def subjects(taken: list[Due]) -> list[str]:
    return [Delivery.objects.get(pk=due.delivery_id).subject for due in taken]


def in_order(subscription: Subscription) -> list[tuple[str, str]]:
    return list(
        Delivery.objects.filter(subscription=subscription)
        .order_by("sequence")
        .values_list("subject", "state")
    )


def all_due() -> None:
    """Make every waiting delivery due."""
    Delivery.objects.filter(next_attempt_at__isnull=False).update(next_attempt_at=timezone.now())
    Subscription.objects.update(paused_until=None)
