"""What is to be sent to whom: deliveries made of published events, taken by a sender, and finished.

Of a subject, a subscription is sent one event at a time, in their order. So only the first delivery that
waits has a time (`next_attempt_at`), and its successor gets one when it is done. Whoever moves these times
holds the lock of the subscription's row, so that no successor is overlooked. Nothing is sent in here: no lock
is held while a receiver is waited for.
"""

from __future__ import annotations

import datetime as dt
import random
import uuid
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
import structlog
from cryptography.fernet import InvalidToken
from django.conf import settings
from django.db import connection, transaction
from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from sites.access.abilities import ROLES, Ability
from sites.access.scope import Scope, scoped
from sites.access.selectors import principal_of
from sites.models import Delivery, DeliveryAttempt, Event, Subscription
from sites.services.secrets import field_keys
from zones.limits.limit import Severity

from .feed import SOURCE, cloud_event, with_text
from .outbound import Answer
from .publisher import feed_now, published_until

log = structlog.get_logger(__name__)

AFTER_S: Final = (5, 30, 300, 1800, 7200, 18_000, 36_000, 50_400, 72_000, 72_000)
"""How long after each failure the next attempt comes: eleven attempts in three days."""
JITTER: Final = 0.2
"""Each wait is up to so much shorter or longer, so that what failed together does not come back together."""
OFF_AFTER: Final = dt.timedelta(days=5)
AT_ONCE: Final = 4
"""So many are under way to a subscription, and one alone while it fails: one that hangs takes little."""
LEASE_TIMEOUTS: Final = 3
"""A sender that does not finish loses what it took after so many times the limit of an attempt."""
MOST_EVENTS: Final = 1_000
MOST_REPLAYED: Final = 10_000
TEST_KIND: Final = "subscription.test"

_Outcome = DeliveryAttempt.Outcome


class TooManyError(Exception):
    """More than `MOST_REPLAYED` would be sent again at once."""


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


def scope_of(subscription: Subscription) -> Scope | None:
    """What a subscription may send now; None: nothing, since its owner is switched off, or may have no
    subscription any more."""
    owner = subscription.owner
    if not owner.is_active or Ability.SUBSCRIPTIONS not in ROLES[owner.role]:
        return None
    scope = principal_of(owner).scope
    if subscription.narrowed:
        scope = scope.narrowed_to(subscription.customers.order_by().values_list("id", flat=True))
    return scope


def _sending() -> QuerySet[Subscription]:
    """Those that are on, of owners who may have them: `scope_of` asks the rest, one at a time."""
    roles = [role for role, abilities in ROLES.items() if Ability.SUBSCRIPTIONS in abilities]
    return Subscription.objects.filter(
        state=Subscription.State.ON, owner__is_active=True, owner__role__in=roles
    )


# --- made of events -------------------------------------------------------------------------------------


def fan_out(*, most: int = MOST_EVENTS) -> int:
    """Make deliveries of what was published since; returns how many. Each subscription goes on from its own
    place, so one that was switched off, or whose owner was, misses nothing that is kept."""
    published = published_until()
    behind = _sending().filter(position__lt=published)
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
        _waiting(subscription.pk)
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


def locked(subscription_id: int, *, wait: bool = True) -> Subscription | None:
    """The subscription, its row locked; None: it is gone, or, without waiting, another process has it."""
    rows = Subscription.objects.select_for_update(of=("self",), no_key=True, skip_locked=not wait)
    return rows.select_related("owner").filter(pk=subscription_id).first()


def _waiting(subscription_id: int) -> QuerySet[Delivery]:
    return Delivery.objects.filter(subscription=subscription_id, state=Delivery.State.WAITING)


# --- taken by a sender ----------------------------------------------------------------------------------


def claim(*, most: int, leave_out: Collection[int] = ()) -> list[Due]:
    """Take what is due, `most` at most, some of each subscription. leave_out: subscriptions of which none is
    taken.

    1. What a sender took and did not finish is due again.
    2. Each subscription is locked, by one process at a time.
    3. What its owner may see is asked anew: what they may no longer see is never sent.
    While the feed is held, none is taken.
    """
    take_back()
    now = timezone.now()
    due = _due(OuterRef("pk"), now)
    ready = _sending().filter(Q(paused_until=None) | Q(paused_until__lte=now), Exists(due))
    # Those that have no room are not locked and looked into: while they hang, that is nearly always
    ids = [
        row.pk
        for row in ready.exclude(pk__in=leave_out).annotate(under_way=_under_way()).order_by("?")
        if row.under_way < _limit(row)
    ]
    # Where the database was restored since, this is what notices it
    if most <= 0 or not ids or feed_now().held_since is not None:
        return []
    taken: list[Due] = []
    for subscription_id in ids:
        if len(taken) >= most:
            break
        taken += _claim(subscription_id, most - len(taken))
    return taken


def _due(subscription: Any, now: dt.datetime) -> QuerySet[Delivery]:
    return Delivery.objects.filter(
        subscription=subscription, state=Delivery.State.WAITING, next_attempt_at__lte=now
    )


@transaction.atomic
def _claim(subscription_id: int, most: int) -> list[Due]:
    subscription = locked(subscription_id, wait=False)
    if subscription is None or subscription.state != Subscription.State.ON:
        return []
    scope = scope_of(subscription)
    if scope is None:
        return []
    now = timezone.now()
    under_way = Delivery.objects.filter(subscription=subscription, lease__isnull=False).count()
    room = min(most, _limit(subscription) - under_way)
    if room <= 0:
        return []
    rows = list(_due(subscription.pk, now).order_by("next_attempt_at", "id")[:room])
    in_scope = scoped(Event, scope).filter(pk__in=[row.event_id for row in rows if row.event_id is not None])
    bodies = {
        event.pk: cloud_event(event) for event in with_text(in_scope, telephones=subscription.telephones)
    }
    secrets = _secrets(subscription, now)
    taken = []
    for row in rows:
        if row.event_id is None:
            body = _test_body(row)
        elif row.event_id in bodies:
            body = bodies[row.event_id]
        else:
            _finish(row, Delivery.State.WITHHELD, now)
            continue
        row.lease, row.next_attempt_at = uuid.uuid4(), None
        row.leased_until = now + dt.timedelta(seconds=LEASE_TIMEOUTS * settings.PUSH_TIMEOUT_S)
        row.attempts += 1
        row.save(update_fields=["lease", "next_attempt_at", "leased_until", "attempts"])
        attempt = DeliveryAttempt.objects.create(delivery=row, at=now)
        taken.append(
            Due(
                delivery_id=row.pk, attempt_id=attempt.pk, subscription_id=subscription.pk, lease=row.lease,
                url=subscription.url, message_id=str(row.uid), body=body, secrets=secrets,
            )
        )  # fmt: skip
    return taken


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
        _end_attempts(ids)
        return Delivery.objects.filter(pk__in=ids).update(lease=None, leased_until=None, next_attempt_at=now)


def _end_attempts(delivery_ids: Sequence[int]) -> None:
    DeliveryAttempt.objects.filter(delivery__in=delivery_ids, error=_Outcome.UNDER_WAY).update(
        error=_Outcome.CUT_OFF
    )


def _secrets(subscription: Subscription, now: dt.datetime) -> tuple[str, ...]:
    """Those that sign: the present one, and for a time the one before."""
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


# --- finished -------------------------------------------------------------------------------------------


@transaction.atomic
def finish(due: Due, answer: Answer, *, took_s: float) -> bool:
    """Note how an attempt went, and what follows; returns whether it was delivered.

    1. Lock the subscription. 2. The attempt is ended, whatever follows. 3. Nothing else follows where the
    lease was lost: another sender has it then.
    """
    subscription = locked(due.subscription_id)
    if subscription is None:
        return False
    delivered = answer.status is not None and 200 <= answer.status <= 299
    DeliveryAttempt.objects.filter(pk=due.attempt_id).update(
        status=answer.status, error=answer.error, duration_ms=round(took_s * 1000)
    )
    row = Delivery.objects.filter(pk=due.delivery_id, lease=due.lease).first()
    if row is None:
        return delivered
    now = timezone.now()
    row.lease = row.leased_until = None
    if delivered:
        subscription.failing_since = None
        _finish(row, Delivery.State.DELIVERED, now)
    elif answer.status == 410:
        row.next_attempt_at = now
        row.save(update_fields=["lease", "leased_until", "next_attempt_at"])
        switch_off(subscription, Subscription.Reason.GONE, now)
    else:
        _failed(subscription, row, answer, now)
    subscription.save(
        update_fields=["failing_since", "paused_until", "state", "off_because", "state_since", "version"]
    )
    return delivered


@transaction.atomic
def give_back(due: Due) -> None:
    """An attempt was cut off, since this process is told to stop: the next sender makes another, at once."""
    if locked(due.subscription_id) is None:
        return
    held = Delivery.objects.filter(pk=due.delivery_id, lease=due.lease)
    if held.update(lease=None, leased_until=None, next_attempt_at=timezone.now()):
        _end_attempts([due.delivery_id])


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


def _failed(subscription: Subscription, row: Delivery, answer: Answer, now: dt.datetime) -> None:
    row.failures += 1
    waits_s = None
    if row.event_id is not None and row.failures <= len(AFTER_S):
        waits_s = AFTER_S[row.failures - 1] * random.uniform(1 - JITTER, 1 + JITTER)  # noqa: S311 - no secret
        waits_s *= settings.PUSH_TIME_SCALE
    if answer.retry_after_s:
        subscription.paused_until = now + dt.timedelta(seconds=answer.retry_after_s)
    if row.event_id is not None:  # of a test nothing follows
        subscription.failing_since = subscription.failing_since or now
        if now - subscription.failing_since >= OFF_AFTER:
            switch_off(subscription, Subscription.Reason.FAILING, now)
    if waits_s is None:
        _finish(row, Delivery.State.DEAD, now)
        return
    row.next_attempt_at = now + dt.timedelta(seconds=waits_s)
    row.save(update_fields=["failures", "lease", "leased_until", "next_attempt_at"])


def _finish(row: Delivery, state: Delivery.State, now: dt.datetime) -> None:
    """Nothing more is sent of it, and the next one of its subject has its time."""
    row.state, row.finished_at, row.next_attempt_at = state, now, None
    row.save(update_fields=["state", "finished_at", "next_attempt_at", "failures", "lease", "leased_until"])
    start_next(row.subscription_id, row.subject, now)


def start_next(subscription_id: int, subject: str, now: dt.datetime) -> None:
    """Give the first of a subject that waits its time, unless one is under way or has it."""
    of_subject = _waiting(subscription_id).filter(subject=subject)
    if of_subject.filter(Q(lease__isnull=False) | Q(next_attempt_at__isnull=False)).exists():
        return
    first = of_subject.order_by("sequence", "id").values_list("pk", flat=True).first()
    if first is not None:
        Delivery.objects.filter(pk=first).update(next_attempt_at=now)


def start_orphans() -> int:
    """Give the first that waits of each subject its time, where the one before it is gone with its event;
    returns how many. Whoever moves times does it in one transaction, so nothing else looks like that."""
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


# --- once more ------------------------------------------------------------------------------------------


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
    for subject in subjects:
        start_next(subscription.pk, subject, now)
    return count + len(events)


def counts(subscription_ids: Collection[int]) -> dict[int, dict[str, int]]:
    """How many deliveries of each subscription are in each state."""
    found: dict[int, dict[str, int]] = {one: {} for one in subscription_ids}
    rows = Delivery.objects.filter(subscription__in=subscription_ids).order_by()
    for subscription_id, state, count in rows.values_list("subscription", "state").annotate(Count("pk")):
        found[subscription_id][state] = count
    return found


def forget_tests(before: dt.datetime) -> None:
    """Delete old tests. Deliveries of events go with these."""
    Delivery.objects.filter(event=None, created_at__lt=before).delete()
