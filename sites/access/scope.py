"""Which rows one sees: a set of customers, or all of them.

Every queryset that an address answers from goes through `scoped`, or through a gate, which uses it. Something
outside the scope does not exist.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from django.contrib.postgres.expressions import ArraySubquery
from django.core.exceptions import FieldDoesNotExist
from django.db.models import BooleanField, Exists, F, Func, Model, OuterRef, Q, QuerySet

from sites.models.access import Calendar, Grant, PersonRemoval, Token, User
from sites.models.answers import KeptAnswer
from sites.models.outbox import EventSubject, Feed
from sites.models.places import Site
from sites.models.subscriptions import Delivery, DeliveryAttempt, Subscription

M = TypeVar("M", bound=Model)


@dataclass(frozen=True)
class Scope:
    """The customers that one is granted; `customer_ids` is None for every customer, those to come
    included."""

    customer_ids: frozenset[int] | None

    @property
    def is_everything(self) -> bool:
        return self.customer_ids is None

    def covers(self, customer_id: int | None) -> bool:
        return self.customer_ids is None or customer_id in self.customer_ids

    def narrowed_to(self, customer_ids: Collection[int]) -> Scope:
        """What is left when only `customer_ids` count."""
        kept = frozenset(customer_ids)
        return Scope(kept if self.customer_ids is None else self.customer_ids & kept)

    def fingerprint(self) -> str:
        """The same for the same scope, so that a cursor can be bound to it."""
        return "all" if self.customer_ids is None else ",".join(map(str, sorted(self.customer_ids)))


EVERYTHING: Final = Scope(None)
NOTHING: Final = Scope(frozenset())


class UnscopedModelError(Exception):
    """A model whose rows have no customer that is known here, and are not shared: no list may show it."""


FEW: Final = 5
"""Up to this many customers have their sites looked up first; rows of more customers are met soon enough."""


def on_sites_of(customer_ids: Collection[int], site: str = "site_id") -> Func:
    """The condition that a row is of a site of these customers. site: the lookup that leads to its id.

    Their sites are looked up once, and then the rows on them. With a join, PostgreSQL walks through all rows
    in the order asked, and expects to meet theirs soon: but those of an old customer are not among the
    latest."""
    return on_sites(Site.objects.filter(customer__in=sorted(customer_ids)).order_by().values("pk"), site)


def on_sites(site_ids: QuerySet[Any, Any], site: str = "site_id") -> Func:
    """The condition that a row is of one of these sites, which are looked up once."""
    return Func(
        F(site),
        ArraySubquery(site_ids),
        template="%(expressions)s)",
        arg_joiner=" = ANY(",
        output_field=BooleanField(),
    )


# How a model's rows are narrowed where it has neither `customer` nor `site`
_PATHS: dict[str, str] = {
    "sites.Customer": "id",
    "sites.Coverage": "contract__customer_id",
    "sites.Withdrawal": "change_set__site__customer_id",
    "sites.SecretReveal": "secret__site__customer_id",
}
_RULES: dict[str, Callable[[QuerySet[Any], Scope], QuerySet[Any]]] = {}
# The catalogue and the instruments belong to no customer; everyone who may look sees all of them
_SHARED: set[str] = {"sites.DeviceModel", "sites.CableType", "sites.Factor", "sites.Instrument"}


def scope_by_path(model: type[Model], path: str) -> None:
    """Say that `path` (a lookup such as ``subscription__customer_id``) leads from `model` to its customer."""
    _PATHS[model._meta.label] = path


def scope_by_rule(model: type[Model], rule: Callable[[QuerySet[Any], Scope], QuerySet[Any]]) -> None:
    """Say how a queryset of `model` is narrowed where a path is not enough."""
    _RULES[model._meta.label] = rule


def _users(rows: QuerySet[User], scope: Scope) -> QuerySet[User]:
    """Users whose customers are all in the scope: so writing them, or setting their password, gives access to
    nothing new. Only users of all customers see users of all customers."""
    if scope.customer_ids is None:
        return rows
    grants = Grant.objects.filter(user=OuterRef("pk"))
    within = grants.filter(customer__in=sorted(scope.customer_ids))
    beyond = grants.exclude(customer__in=sorted(scope.customer_ids))
    return rows.filter(Exists(within), ~Exists(beyond), all_customers=False)


def _tokens(rows: QuerySet[Token], scope: Scope) -> QuerySet[Token]:
    return rows.filter(user__in=_users(User.objects.all(), scope))


def _removals(rows: QuerySet[PersonRemoval], scope: Scope) -> QuerySet[PersonRemoval]:
    return rows.filter(user__in=_users(User.objects.all(), scope))


def _subscriptions(rows: QuerySet[Subscription], scope: Scope) -> QuerySet[Subscription]:
    return rows.filter(owner__in=_users(User.objects.all(), scope))


def _calendars(rows: QuerySet[Calendar], scope: Scope) -> QuerySet[Calendar]:
    return rows.filter(owner__in=_users(User.objects.all(), scope))


def _deliveries(rows: QuerySet[Delivery], scope: Scope) -> QuerySet[Delivery]:
    seen = _subscriptions(Subscription.objects.all(), scope)
    return of_events_in(scope, rows.filter(subscription__in=seen))


def of_events_in(scope: Scope, rows: QuerySet[Delivery]) -> QuerySet[Delivery]:
    """Deliveries of events in scope, and tests, of any subscription."""
    if scope.customer_ids is None:
        return rows
    return rows.filter(Q(event=None) | Q(event__customer__in=sorted(scope.customer_ids)))


def _attempts(rows: QuerySet[DeliveryAttempt], scope: Scope) -> QuerySet[DeliveryAttempt]:
    return rows.filter(delivery__in=_deliveries(Delivery.objects.all(), scope))


def _no_rows(rows: QuerySet[Any], _scope: Scope) -> QuerySet[Any]:
    """What is in no list: kept answers, each of which is given again to its caller, for its key; and how many
    events there are of all customers."""
    return rows.none()


scope_by_rule(User, _users)
for _unlisted in (KeptAnswer, EventSubject, Feed):
    scope_by_rule(_unlisted, _no_rows)
scope_by_rule(Token, _tokens)
scope_by_rule(PersonRemoval, _removals)
scope_by_rule(Subscription, _subscriptions)
scope_by_rule(Calendar, _calendars)
scope_by_rule(Delivery, _deliveries)
scope_by_rule(DeliveryAttempt, _attempts)


@functools.cache
def customer_path(model: type[Model]) -> str | None:
    """The lookup from `model` to its customer's id; None for a model that belongs to no customer."""
    label = model._meta.label
    if label in _SHARED:
        return None
    if label in _PATHS:
        return _PATHS[label]
    for field, path in (("customer", "customer_id"), ("site", "site__customer_id")):
        try:
            model._meta.get_field(field)
        except FieldDoesNotExist:
            continue
        return path
    raise UnscopedModelError(
        f"{label} has neither a customer nor a site: name its path with scope_by_path, or its rule with "
        "scope_by_rule (sites/access/scope.py)."
    )


def scoped(rows: type[M] | QuerySet[M], scope: Scope) -> QuerySet[M]:
    """`rows` (a model, or a queryset of it), of which only those in `scope` are left."""
    queryset: QuerySet[M] = rows if isinstance(rows, QuerySet) else rows._default_manager.all()
    rule = _RULES.get(queryset.model._meta.label)
    if rule is not None:
        return rule(queryset, scope)
    path = customer_path(queryset.model)
    if path is None or scope.customer_ids is None:
        return queryset
    if path == "site__customer_id" and len(scope.customer_ids) <= FEW:
        return queryset.filter(on_sites_of(scope.customer_ids))
    return queryset.filter(**{f"{path}__in": sorted(scope.customer_ids)})
