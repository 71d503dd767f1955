"""What a subscription may send now, and the lock of its row."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.postgres.expressions import ArraySubquery
from django.db.models import Count, OuterRef, QuerySet

from sites.access.abilities import ROLES, Ability
from sites.access.scope import Scope
from sites.access.selectors import principal_of
from sites.models import Delivery, Grant, Subscription


def scope_of(subscription: Subscription) -> Scope | None:
    """What a subscription, read by `locked` or `locked_of`, may send now; None: nothing, since its owner is
    switched off, or may have no subscription any more."""
    owner = subscription.owner
    if not owner.is_active or Ability.SUBSCRIPTIONS not in ROLES[owner.role]:
        return None
    owner.granted = subscription.granted  # type: ignore[attr-defined]
    scope = principal_of(owner).scope
    return scope.narrowed_to(subscription.chosen) if subscription.narrowed else scope  # type: ignore[attr-defined]


def sending() -> QuerySet[Subscription]:
    """Subscriptions that are on and whose owners may have them; `scope_of` checks the rest, one at a time."""
    roles = [role for role, abilities in ROLES.items() if Ability.SUBSCRIPTIONS in abilities]
    return Subscription.objects.filter(
        state=Subscription.State.ON, owner__is_active=True, owner__role__in=roles
    )


def locked(subscription_id: int, *, wait: bool = True) -> Subscription | None:
    """The subscription, its row locked; None: it is gone, or, without waiting, another process has it."""
    return _locking(wait=wait).filter(pk=subscription_id).first()


def locked_of(subscription_ids: Collection[int], *, wait: bool = True) -> list[Subscription]:
    """Those of these subscriptions that are there, their rows locked; without waiting, those that no other
    process has. Locked by their ids, so that of two processes that wait none waits for the other."""
    return list(_locking(wait=wait).filter(pk__in=subscription_ids).order_by("pk"))


def _locking(*, wait: bool) -> QuerySet[Subscription]:
    """With the customers that their owners are granted, and those that they are narrowed to: one statement
    reads them for many."""
    granted = Grant.objects.filter(user=OuterRef("owner")).order_by().values("customer")
    chosen = Subscription.customers.through.objects.filter(subscription=OuterRef("pk")).values("customer")
    rows = Subscription.objects.select_for_update(of=("self",), no_key=True, skip_locked=not wait)
    return rows.select_related("owner").annotate(granted=ArraySubquery(granted), chosen=ArraySubquery(chosen))


def counts(subscription_ids: Collection[int]) -> dict[int, dict[str, int]]:
    """How many deliveries of each subscription are in each state."""
    found: dict[int, dict[str, int]] = {one: {} for one in subscription_ids}
    rows = Delivery.objects.filter(subscription__in=subscription_ids).order_by()
    for subscription_id, state, count in rows.values_list("subscription", "state").annotate(Count("pk")):
        found[subscription_id][state] = count
    return found
