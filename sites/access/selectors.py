"""Who is asking: the user behind a token's secret, and what a user, with or without a token, sees and may
do."""

from __future__ import annotations

import functools
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.core.exceptions import PermissionDenied
from django.db import connection
from django.db.models import Q, QuerySet
from django.utils import timezone

from sites.models.access import Grant, Token, User

from .abilities import ROLES, TOKEN_SCOPES, Ability, abilities_of
from .credentials import digest_of, fault_of
from .scope import EVERYTHING, Scope, scoped


class AbilityMissing(PermissionDenied):
    """The one asking sees the thing but may not do this to it. `by_token`: another scope of the token would
    let them."""

    def __init__(self, ability: Ability, *, by_token: bool) -> None:
        whose = "This token's scopes and its user's role" if by_token else "Your role"
        missing = f"{whose} do not include {ability.value}."
        if by_token and ability not in TOKEN_SCOPES:
            missing = f"No token includes {ability.value}: a person who is logged in may do this."
        super().__init__(missing)
        self.ability = ability
        self.by_token = by_token and ability in TOKEN_SCOPES


class AllCustomersMissing(PermissionDenied):
    """The one asking is not granted every customer, and what they would write all customers share."""

    def __init__(self, *, by_token: bool) -> None:
        whose = "this token is" if by_token else "you are"
        super().__init__(f"All customers share this, and {whose} not granted all of them.")


@dataclass(frozen=True)
class Principal:
    """A user, and the token that acts for them, if any; what they see, and what they may do."""

    user: User
    token: Token | None
    scope: Scope
    abilities: frozenset[Ability]

    def may(self, ability: Ability) -> bool:
        return ability in self.abilities

    def require(self, ability: Ability) -> None:
        """Raise `AbilityMissing` (a 403) unless the one asking holds `ability`."""
        if ability not in self.abilities:
            raise AbilityMissing(ability, by_token=self.token is not None)

    def require_all_customers(self) -> None:
        """Raise `AllCustomersMissing` (a 403) unless the one asking is granted every customer."""
        if not self.scope.is_everything:
            raise AllCustomersMissing(by_token=self.token is not None)


def principal_of(user: User, token: Token | None = None) -> Principal:
    """What `user` sees and may do; through `token`, no more than it was given of that."""
    scope = EVERYTHING
    if not user.all_customers and token is None and hasattr(user, "granted"):
        scope = Scope(frozenset(user.granted))
    elif not user.all_customers:
        granted = Grant.objects.filter(user=user)
        if token is not None and token.narrowed:
            granted = granted.filter(customer__in=token.customers.order_by())
        scope = Scope(frozenset(granted.values_list("customer_id", flat=True)))
    elif token is not None and token.narrowed:
        scope = scope.narrowed_to(token.customers.order_by().values_list("id", flat=True))
    abilities = ROLES[user.role]
    if token is not None:
        abilities &= abilities_of(token.scopes)
    return Principal(user=user, token=token, scope=scope, abilities=frozenset(abilities))


def customers_granted(users: Iterable[User]) -> Mapping[int, list[int]]:
    """By user, the ids of the customers that they are granted by name. One query."""
    granted: dict[int, list[int]] = defaultdict(list)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT user_id, customer_id FROM customer_grant WHERE user_id = ANY(%s) ORDER BY customer_id",
            [[user.pk for user in users]],
        )
        for user_id, customer_id in cursor:
            granted[user_id].append(customer_id)
    return granted


def own_tokens(principal: Principal) -> QuerySet[Token]:
    """The tokens of the one asking, the newest first; through a token that may not make others, that one
    alone."""
    tokens = Token.objects.filter(user=principal.user).prefetch_related("customers").order_by("-id")
    if principal.token is not None and not principal.may(Ability.ADMIN):
        return tokens.filter(pk=principal.token.pk)
    return tokens


def tokens_of(user: User, scope: Scope) -> QuerySet[Token]:
    """The tokens of another user who is in scope, the newest first."""
    return scoped(Token, scope).filter(user=user).prefetch_related("customers").order_by("-id")


def tokens_to_revoke(principal: Principal) -> QuerySet[Token]:
    """The tokens that the caller may end: their own, and for a manager those of the users they see."""
    own = own_tokens(principal)
    if not principal.may(Ability.ADMIN):
        return own
    theirs = scoped(Token, principal.scope).order_by().values("pk")
    return Token.objects.filter(Q(pk__in=own.order_by().values("pk")) | Q(pk__in=theirs)).prefetch_related(
        "customers"
    )


def token_by_secret(secret: str) -> Token | None:
    """The token whose secret this is, with its user; None if there is none that may be used now."""
    if fault_of(secret):
        return None
    token = _token_of(digest_of(secret))
    if token is None or token.revoked_at is not None or not token.user.is_active:
        return None
    if token.expires_at is not None and token.expires_at <= timezone.now():
        return None
    return token


def _token_of(digest: str) -> Token | None:
    statement, of_token, of_user = _token_statement()
    with connection.cursor() as cursor:
        cursor.execute(statement, [digest])
        row = cursor.fetchone()
    if row is None:
        return None
    token = Token.from_db(connection.alias, of_token, row[: len(of_token)])
    token.user = User.from_db(connection.alias, of_user, row[len(of_token) :])
    return token


@functools.cache
def _token_statement() -> tuple[str, list[str], list[str]]:
    """A token of a digest, with its user: the statement, and the columns of each. Kept, since every request
    of a program sends it: to have it made takes longer than to have it answered."""
    statement, _ = Token.objects.select_related("user").filter(digest="").query.sql_with_params()
    of_token, of_user = ([field.attname for field in model._meta.concrete_fields] for model in (Token, User))
    return statement, of_token, of_user
