"""Subscriptions: made, changed, switched on, given another secret, tested and removed; and who sees which."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Collection, Mapping
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from sites.access.gates import Gate, NotFound
from sites.access.scope import Scope, of_events_in, scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, ChangeRefused, Problem
from sites.models import Customer, Delivery, Subscription, User
from sites.services.secrets import field_keys

from .addresses import UrlRefusedError, rules, target_of
from .deliveries.finished import switch_off
from .deliveries.order import start_next
from .deliveries.subscribed import locked
from .publisher import published_until
from .signing import make_secret

OLD_SECRET_FOR: Final = dt.timedelta(hours=24)
MOST: Final = 100
"""Most subscriptions an owner can have."""


def own_subscriptions(principal: Principal) -> QuerySet[Subscription]:
    """Subscriptions of the caller; a token of some customers sees only those for these customers."""
    rows = Subscription.objects.filter(owner=principal.user)
    if principal.token is not None and principal.token.narrowed:
        beyond = Customer.objects.exclude(pk__in=principal.scope.customer_ids or ())
        rows = rows.filter(narrowed=True).exclude(customers__in=beyond)
    return rows


def deliveries_of(subscription: Subscription, scope: Scope) -> QuerySet[Delivery]:
    """Its deliveries of events in scope, and its tests."""
    return of_events_in(scope, Delivery.objects.filter(subscription=subscription))


class SubscriptionGate(Gate[Subscription]):
    def __call__(self, *, principal: Principal, id: int) -> Subscription:  # noqa: A002 - of an address
        row = own_subscriptions(principal).select_related(*self.related).filter(pk=id).first()
        if row is None:
            raise NotFound
        return row


subscription_for = SubscriptionGate(Subscription, "owner")


@transaction.atomic
def subscription_add(
    *,
    principal: Principal,
    name: str,
    url: str,
    kinds: Collection[str] = (),
    customer_ids: Collection[int] | None = None,
    least_severity: str = "",
    telephones: bool = False,
) -> tuple[Subscription, str]:
    """A subscription to what happens from now on, and its secret, which is never shown again.

    `customer_ids` narrows it to those of its owner's customers; None leaves it all of them, those to come
    included, or those of the token through which it is made."""
    User.objects.select_for_update(no_key=True).get(pk=principal.user.pk)
    if own_subscriptions(principal).count() >= MOST:
        raise ChangeRefused([Problem(f"You have {MOST} subscriptions: remove one first.", "conflict")])
    secret = make_secret()
    subscription = Subscription(
        owner=principal.user, name=name, url=checked_url(url), kinds=_kinds(kinds),
        least_severity=least_severity, telephones=telephones, secret=_sealed(secret),
        position=published_until(),
    )  # fmt: skip
    _narrow(subscription, principal, customer_ids)
    return subscription, secret


@transaction.atomic
def subscription_alter(
    *, principal: Principal, subscription: Subscription, given: Mapping[str, Any]
) -> Subscription:
    """Change what is given: of name, url, kinds, customer_ids, least_severity, telephones, state. URL and
    telephones hold for what waits, too; what an event is chosen by, for what happens from now on."""
    row = _locked(subscription)
    for field in ("name", "least_severity", "telephones"):
        if field in given:
            setattr(row, field, given[field])
    if "url" in given:
        row.url = checked_url(given["url"])
    if "kinds" in given:
        row.kinds = _kinds(given["kinds"])
    now = timezone.now()
    if given.get("state") == Subscription.State.OFF:
        switch_off(row, Subscription.Reason.ASKED, now)
    elif given.get("state") == Subscription.State.ON:
        _switch_on(row, now)
    row.version = subscription.version + 1
    if "customer_ids" in given:
        _narrow(row, principal, given["customer_ids"])
    else:
        row.save()
    return row


@transaction.atomic
def subscription_remove(*, subscription: Subscription) -> None:
    """Remove it, with its deliveries."""
    _locked(subscription).delete()


@transaction.atomic
def subscription_on(*, subscription: Subscription) -> Subscription:
    """Switch it on again. It goes on where it stopped."""
    row = _locked(subscription, any_version=True)
    if row.state == Subscription.State.OFF:
        _switch_on(row, timezone.now())
        row.version += 1
        row.save()
    return row


@transaction.atomic
def secret_replace(*, subscription: Subscription) -> tuple[Subscription, str]:
    """A new secret, which is never shown again. The one before signs too, for a day."""
    row = _locked(subscription, any_version=True)
    secret = make_secret()
    row.old_secret, row.old_secret_until = row.secret, timezone.now() + OLD_SECRET_FOR
    row.secret = _sealed(secret)
    row.version += 1
    row.save()
    return row, secret


@transaction.atomic
def send_test(*, subscription: Subscription) -> Delivery:
    """Have an event sent that says that it is a test. While one waits, no other is made."""
    row = _locked(subscription, any_version=True)
    if row.state == Subscription.State.OFF:
        raise ChangeRefused([Problem("The subscription is off: switch it on first.", "conflict")])
    subject = f"subscriptions/{row.pk}"
    waiting = Delivery.objects.filter(subscription=row, event=None, state=Delivery.State.WAITING).first()
    if waiting is not None:
        return waiting
    made = Delivery.objects.create(subscription=row, uid=uuid.uuid4(), subject=subject, sequence=row.position)
    start_next(row.pk, [subject], timezone.now())
    made.refresh_from_db()
    return made


def checked_url(url: str) -> str:
    try:
        target_of(url, rules())
    except UrlRefusedError as error:
        raise ValidationError({"url": [str(error)]}) from error
    return url


def _switch_on(row: Subscription, now: dt.datetime) -> None:
    if row.state == Subscription.State.ON:
        return
    row.state, row.off_because, row.state_since = Subscription.State.ON, "", now
    row.failing_since = row.paused_until = None


def _locked(subscription: Subscription, *, any_version: bool = False) -> Subscription:
    row = locked(subscription.pk)
    if row is None or not (any_version or row.version == subscription.version):
        raise ChangeConflict([Problem("This was changed meanwhile; look at it again.", "conflict")])
    return row


def _kinds(kinds: Collection[str]) -> list[str]:
    return list(dict.fromkeys(kinds))


def _sealed(secret: str) -> bytes:
    return field_keys().encrypt(secret.encode())


def _narrow(row: Subscription, principal: Principal, customer_ids: Collection[int] | None) -> None:
    """Save it with the customers that it is narrowed to."""
    if customer_ids is None and principal.token is not None and principal.token.narrowed:
        customer_ids = principal.scope.customer_ids
    there = scoped(Customer, principal.scope).filter(pk__in=customer_ids or ())
    beyond = {*(customer_ids or ())} - set(there.values_list("pk", flat=True))
    if beyond:
        raise ValidationError(
            {"customer_ids": [f"You are granted no customer {', '.join(map(str, sorted(beyond)))}."]}
        )
    row.narrowed = customer_ids is not None
    row.save()
    row.customers.set(customer_ids or ())
