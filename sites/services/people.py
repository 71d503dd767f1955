"""People: added, altered, switched off and on, given a password, removed.

`by` is the person who does it, over REST; None for a command on the server, where nothing is out of reach.
With `by`, nobody sees or grants more than they have."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

import structlog
from django.contrib.auth.hashers import UNUSABLE_PASSWORD_PREFIX, make_password
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import connection, transaction
from django.db.models import Q
from django.utils import timezone

from sites import fields
from sites.access.abilities import ROLES, TOKEN_SCOPES
from sites.access.gates import NotFound
from sites.access.scope import EVERYTHING, Scope, scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeConflict, Problem, refuse, require
from sites.models import Customer
from sites.models.access import Calendar, Grant, PersonRemoval, Token, User
from sites.wording import listed

log = structlog.get_logger(__name__)

LONGEST_NAME: Final = 150  # that of `actor`, which a change set keeps
_NAME: Final = fields.NameField(max_length=LONGEST_NAME)
_FIELDS: Final = {"first_name": "name", "last_name": "name"}
# Who can open everything to everybody again: they have a password, so that they can log in
_KEEPS_THE_KEYS: Final = Q(role=User.Role.MANAGER, all_customers=True, is_active=True) & ~(
    Q(password="") | Q(password__startswith=UNUSABLE_PASSWORD_PREFIX)
)


@transaction.atomic
def user_add(
    *,
    by: Principal | None,
    username: str,
    name: str,
    role: User.Role | str,
    email: str = "",
    all_customers: bool = False,
    customer_ids: Collection[int] = (),
    password: str | None = None,
) -> User:
    """Add a user with a role and the customers that they are granted. Without a password they cannot log in
    yet."""
    user = User(
        username=User.normalize_username(username),
        email=User.objects.normalize_email(email),
        role=role,
        all_customers=all_customers,
    )
    user.set_password(password)
    taken = User.objects.filter(username__iexact=user.username).values_list("username", flat=True).first()
    require(
        [Problem(f"There is a user {taken!r} already.", "in_use", "/username")] if taken is not None else [],
        _named(user, name),
        _role_beyond(by, role),
        _grants_beyond(by, all_customers, customer_ids),
    )
    require(_wrong(user), _weak(password, user) if password is not None else [])
    user.save()
    _grant(user, customer_ids)
    _note("user_added", by, user)
    return user


@transaction.atomic
def user_alter(
    *, by: Principal | None, user: User, given: Mapping[str, Any], expected_version: int | None = None
) -> User:
    """Change what is given of ``name``, ``email``, ``role``, ``all_customers`` and ``customer_ids``.

    1. Lock the user and those who keep the keys (`_locked`). 2. Check, and write. 3. See that somebody still
    keeps the keys."""
    locked = _locked(by, user, expected_version)
    altered = locked.user
    if "email" in given:
        altered.email = User.objects.normalize_email(given["email"])
    altered.role = given.get("role", altered.role)
    all_customers, customer_ids = _grants_then(altered, given)
    altered.all_customers = all_customers
    granted = {"all_customers", "customer_ids"} & {*given}
    require(
        _named(altered, given["name"]) if "name" in given else [],
        _role_beyond(by, altered.role) if "role" in given else [],
        _grants_beyond(by, all_customers, customer_ids) if granted else [],
    )
    require(_wrong(altered))
    altered.version += 1
    altered.save()
    if granted:
        altered.grants.exclude(customer__in=customer_ids).delete()
        _grant(altered, customer_ids)
    locked.see_that_one_is_left()
    _note("user_altered", by, altered, altered=sorted(given))
    return altered


@transaction.atomic
def user_deactivate(*, by: Principal | None, user: User) -> User:
    """Switch a user off: their sessions end, their tokens are revoked and their calendars removed, for good.
    A second time changes nothing."""
    locked = _locked(by, user)
    off = locked.user
    if off.is_active:
        off.is_active = False
        off.sessions_ended += 1
        off.version += 1
        off.save()
        Token.objects.filter(user=off, revoked_at__isnull=True).update(revoked_at=timezone.now())
        Calendar.objects.filter(owner=off).delete()
        locked.see_that_one_is_left()
        _note("user_deactivated", by, off)
    return off


@transaction.atomic
def user_activate(*, by: Principal | None, user: User) -> User:
    """Let a user log in again, with the password they had. A second time changes nothing."""
    on = _locked(by, user).user
    if not on.is_active:
        on.is_active = True
        on.version += 1
        on.save()
        _note("user_activated", by, on)
    return on


@transaction.atomic
def password_set(*, by: Principal | None, user: User, password: str) -> User:
    """Give a user a password, the first or another. Their sessions end: each is bound to the password."""
    require(_weak(password, user))
    digest = make_password(password)  # slow on purpose, so before others have to wait
    changed = _locked(by, user).user
    changed.password = digest
    changed.version += 1
    changed.save()
    _note("password_set", by, changed)
    return changed


@transaction.atomic
def person_remove(
    *, by: Principal | None, user: User, reason: str, actor: str = "", trial: bool = False
) -> PersonRemoval:
    """Take a person's name and details out of the record, which stands: they are ``removed person N`` from
    then on, and cannot log in again. A second time changes nothing. actor: who does it, where that is no
    user. trial: roll it back; what is returned says which rows it would change.

    1. Lock the user and those who keep the keys (`_locked`). 2. Insert the removal: its trigger does it, in
    every table, so the statement may take as long as it needs. 3. See that somebody still keeps the keys."""
    if by is not None:
        by.require_all_customers()
    locked = _locked(by, user, removed=True)
    before = PersonRemoval.objects.filter(user=user).first()
    if before is not None:
        return before
    with connection.cursor() as cursor:
        cursor.execute("SET LOCAL statement_timeout = 0")
    removal = PersonRemoval(
        user=user,
        removed_by=by.user if by is not None else None,
        actor=(by.user.get_full_name() or by.user.get_username()) if by is not None else actor,
        reason=reason,
    )
    require(_not_kept(removal))
    removal.save(force_insert=True)
    locked.see_that_one_is_left()
    removal.refresh_from_db()
    transaction.set_rollback(trial)
    if not trial:
        _note("person_removed", by, user)
    return removal


# --- what is wrong ------------------------------------------------------------------------------------------


def _named(user: User, name: str) -> list[Problem]:
    """Names the user; what is wrong with the name."""
    try:
        said: str = _NAME.clean(name, None)
    except ValidationError:
        return [Problem(f"Expected a name that others read: {_NAME.expected}.", "invalid", "/name")]
    user.first_name, _, user.last_name = said.partition(" ")
    return []


def _wrong(user: User) -> list[Problem]:
    """What the columns do not take; what other rows and constraints say has sentences of its own."""
    try:
        user.full_clean(exclude=["password"], validate_unique=False, validate_constraints=False)
    except ValidationError as error:
        return [
            Problem(text, "invalid", f"/{_FIELDS.get(name, name)}")
            for name, texts in error.message_dict.items()
            for text in texts
        ]
    return []


def _not_kept(removal: PersonRemoval) -> list[Problem]:
    try:
        removal.clean_fields(exclude=["user", "removed_by", "removed_at", "rows_changed"])
    except ValidationError as error:
        return [
            Problem(f"{name}: {texts[0]}.", "invalid", f"/{name}")
            for name, texts in error.message_dict.items()
        ]
    return []


def _weak(password: str, user: User) -> list[Problem]:
    try:
        validate_password(password, user)
    except ValidationError as error:
        return [Problem(text, "invalid", "/password") for text in error.messages]
    return []


def _role_beyond(by: Principal | None, role: str) -> list[Problem]:
    """Problems of giving a role. A manager gives every role. A token may have fewer scopes than its manager
    has abilities, and gives no role with more; no scope includes door codes, so that ability is not
    compared."""
    if by is None:
        return []
    held = by.abilities
    if by.token is not None:
        held |= ROLES[by.user.role] - {*TOKEN_SCOPES}
    beyond = [ability.value for ability in ROLES[role] if ability not in held]
    if not beyond:
        return []
    whose = "you do" if by.token is None else "this token does"
    detail = f"A {role} has {listed(sorted(beyond))}, which {whose} not: nobody gives more than they have."
    return [Problem(detail, "beyond_role", "/role")]


def _grants_beyond(by: Principal | None, all_customers: bool, customer_ids: Collection[int]) -> list[Problem]:
    scope = by.scope if by is not None else EVERYTHING
    if all_customers and customer_ids:
        return [Problem("All customers include each: grant all, or some by id.", "invalid", "/customer_ids")]
    if all_customers and not scope.is_everything:
        detail = "You are not granted all customers, so you cannot grant them: name some in customer_ids."
        return [Problem(detail, "beyond_grant", "/all_customers")]
    if not all_customers and not customer_ids:
        detail = (
            "Grant at least one customer, or all of them with all_customers. Deactivate a person who should "
            "see nothing any more."
        )
        return [Problem(detail, "required", "/customer_ids")]
    return _not_there(scope, customer_ids)


def _not_there(scope: Scope, customer_ids: Collection[int]) -> list[Problem]:
    """Absent and out of scope: the same."""
    there = set(scoped(Customer, scope).filter(pk__in=customer_ids).values_list("pk", flat=True))
    return [
        Problem(f"There is no customer {customer_id}.", "not_found", f"/customer_ids/{place}")
        for place, customer_id in enumerate(customer_ids)
        if customer_id not in there
    ]


# --- writing ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Locked:
    """A user, and the ids of those who kept the keys, all of them locked."""

    user: User
    keepers: frozenset[int]

    def see_that_one_is_left(self) -> None:
        """Refuse what takes the keys from the last one who keeps them."""
        if not self.keepers or self.keepers - {self.user.pk}:
            return
        if not User.objects.filter(_KEEPS_THE_KEYS, pk=self.user.pk).exists():
            raise refuse(
                f"{self.user.get_username()} is the last active manager of all customers who can log in: "
                "make another one first, with a password.",
                code="in_use",
            )


def _locked(
    by: Principal | None, user: User, expected_version: int | None = None, *, removed: bool = False
) -> _Locked:
    """
    1. Lock the user and everyone who keeps the keys, in the order of their ids. Of two managers who switch
       each other off at once, the second waits here, and then finds itself the last.
    2. Look once more whether the user is in scope: they may have been granted more meanwhile.
    3. Compare the version. Who was removed stays as they are, unless ``removed`` may be locked too."""
    rows = User.objects.select_for_update(no_key=True).filter(_KEEPS_THE_KEYS | Q(pk=user.pk)).order_by("pk")
    keepers = [row.pk for row in rows]
    found = scoped(User, by.scope if by is not None else EVERYTHING).filter(pk=user.pk).first()
    if found is None:
        raise NotFound
    if expected_version not in (None, found.version):
        raise ChangeConflict([Problem("This user was changed meanwhile; look again.", "conflict")])
    if not removed and PersonRemoval.objects.filter(user=user).exists():
        raise refuse("This person was removed, and stays so: add another user.", code="ended")
    kept = User.objects.filter(_KEEPS_THE_KEYS, pk__in=keepers).values_list("pk", flat=True)
    return _Locked(found, frozenset(kept))


def _grants_then(user: User, given: Mapping[str, Any]) -> tuple[bool, Collection[int]]:
    """What is granted after the change. To name customers takes "all of them" back, and the other way
    round, unless both are said."""
    all_customers = given.get("all_customers", user.all_customers and "customer_ids" not in given)
    if "customer_ids" in given:
        return all_customers, list(dict.fromkeys(given["customer_ids"]))
    if all_customers:
        return True, []
    return False, list(user.grants.values_list("customer_id", flat=True).order_by("customer_id"))


def _grant(user: User, customer_ids: Collection[int]) -> None:
    Grant.objects.bulk_create(
        [Grant(user=user, customer_id=customer_id) for customer_id in dict.fromkeys(customer_ids)],
        ignore_conflicts=True,
    )


def _note(event: str, by: Principal | None, user: User, **more: Any) -> None:
    """Log a change of what somebody may see: it is rare, and people ask about it later."""
    token = None if by is None or by.token is None else by.token.pk
    log.info(event, user=user.pk, by=None if by is None else by.user.pk, token=token, **more)
