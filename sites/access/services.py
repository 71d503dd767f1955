"""Tokens made, used, revoked; a new customer granted to its maker."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, Q
from django.utils import timezone

from sites.models.access import Grant, Token, User
from sites.models.customers import Customer
from sites.wording import did_you_mean

from .abilities import MEANINGS, ROLES, TOKEN_SCOPES
from .credentials import digest_of, make_secret
from .selectors import Principal, principal_of

LASTS: Final = timedelta(days=90)  # a token, where nobody says otherwise
# A busy program would otherwise write its token's row with every request
LAST_USED_EVERY: Final = timedelta(hours=1)


def scope_names_check(names: Collection[str], *, user: User) -> list[str]:
    """`names` in their order without repeats; ValidationError unless each is a scope that `user`'s role
    holds."""
    known = [ability.value for ability in TOKEN_SCOPES]
    if not names:
        raise ValidationError(f"A token needs at least one scope: {', '.join(known)}.", code="required")
    wanted = list(dict.fromkeys(names))
    problems = []
    for name in wanted:
        if name not in known:
            hint = did_you_mean(name, known)
            problems.append(
                ValidationError(
                    f"There is no scope {name!r}.{hint} The scopes are: {', '.join(known)}.", code="unknown"
                )
            )
        elif name not in ROLES[user.role]:
            held = [ability.value for ability in TOKEN_SCOPES if ability in ROLES[user.role]]
            problems.append(
                ValidationError(
                    f"{name}: a token does no more than its user may, and {user.get_username()} is a "
                    f"{user.get_role_display()}, who may: {', '.join(held)}.",
                    code="beyond_role",
                )
            )
    if problems:
        raise ValidationError(problems)
    return wanted


@transaction.atomic
def token_make(
    *,
    user: User,
    scopes: Collection[str],
    customer_ids: Collection[int] | None = None,
    name: str = "",
    expires_at: datetime | None = None,
) -> tuple[Token, str]:
    """Make a token that acts for `user`; return it with its secret, which is stored nowhere and never shown
    again.

    `customer_ids` narrows it to those of its user's customers; None leaves it all of them, those to come
    included. `expires_at`: None: in 90 days. ValidationError says which scope, customer or time is wrong, and
    what would be right."""
    wanted = scope_names_check(scopes, user=user)
    if not user.is_active:
        raise ValidationError(
            f"{user.get_username()} is switched off, and so would the token be.", code="inactive"
        )
    longest = Token._meta.get_field("name").max_length or 0
    if len(name) > longest:
        raise ValidationError(
            f"The name of a token has at most {longest} characters; this one has {len(name)}.",
            code="max_length",
        )
    expires_at = expires_at or timezone.now() + LASTS
    if expires_at <= timezone.now():
        raise ValidationError("A token must expire in the future.", code="past")
    if customer_ids is not None:
        scope = principal_of(user).scope
        beyond = [customer_id for customer_id in customer_ids if not scope.covers(customer_id)]
        if beyond:
            raise ValidationError(
                f"{user.get_username()} is not granted customer {', '.join(map(str, beyond))}.",
                code="beyond_grant",
            )
    secret = make_secret()
    token = Token.objects.create(
        user=user,
        name=name,
        digest=digest_of(secret),
        scopes=wanted,
        narrowed=customer_ids is not None,
        expires_at=expires_at,
    )
    if customer_ids is not None:
        token.customers.set(customer_ids)
    return token, secret


def own_token_make(
    *,
    principal: Principal,
    scopes: Collection[str],
    customer_ids: Collection[int] | None = None,
    name: str = "",
    expires_at: datetime | None = None,
) -> tuple[Token, str]:
    """A token that a user makes for themselves. Made through another token, it has no more scopes and
    customers and lasts no longer than that one."""
    held = {ability.value for ability in principal.abilities}
    known = {ability.value for ability in TOKEN_SCOPES}
    beyond = [scope for scope in scopes if scope in known and scope not in held]
    if principal.token is not None and beyond:
        raise ValidationError(
            f"{', '.join(beyond)}: a token gives no other token more than its own scopes.", code="beyond_role"
        )
    if principal.token is not None and principal.token.narrowed:
        granted = principal.scope.customer_ids or frozenset()
        customer_ids = granted if customer_ids is None else customer_ids
        more = [customer_id for customer_id in customer_ids if customer_id not in granted]
        if more:
            raise ValidationError(
                f"This token is not granted customer {', '.join(map(str, more))}.", code="beyond_grant"
            )
    last = principal.token.expires_at if principal.token is not None else None
    if last is not None:
        expires_at = expires_at or min(last, timezone.now() + LASTS)
        if expires_at > last:
            raise ValidationError(
                f"A token made by another lasts no longer than that one: until {last.isoformat()}.",
                code="beyond_expiry",
            )
    return token_make(
        user=principal.user, scopes=scopes, customer_ids=customer_ids, name=name, expires_at=expires_at
    )


@transaction.atomic
def token_revoke(*, token: Token) -> None:
    """End a token for good; a second call changes nothing, so that the first moment stays."""
    Token.objects.filter(pk=token.pk, revoked_at__isnull=True).update(revoked_at=timezone.now())
    token.refresh_from_db(fields=["revoked_at"])


def use_is_due(token: Token) -> bool:
    """Whether it is time to note that `token`, as it was read, is in use."""
    return token.last_used_at is None or token.last_used_at <= timezone.now() - LAST_USED_EVERY


def token_used(*, token: Token) -> None:
    """Note that `token` is in use: at most once an hour, over all requests and processes."""
    if not use_is_due(token):
        return
    now = timezone.now()
    stale_before = now - LAST_USED_EVERY
    Token.objects.filter(
        Q(last_used_at__isnull=True) | Q(last_used_at__lte=stale_before), pk=token.pk
    ).update(last_used_at=now)


def grant_to_maker(*, user: User, customer: Customer) -> None:
    """Grant a new customer to the one who made it, unless they are granted all. It makes another version of
    them, so that a manager who read them before takes nothing back unknowingly."""
    if not user.all_customers:
        Grant.objects.get_or_create(user=user, customer=customer)
        User.objects.filter(pk=user.pk).update(version=F("version") + 1)


def scope_help() -> str:
    """The scopes, one a line with what each lets a program do."""
    return "\n".join(f"  {ability.value:<20} {MEANINGS[ability]}" for ability in TOKEN_SCOPES)
