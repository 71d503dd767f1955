"""Door and alarm codes: written, revealed one at a time with the reveal logged, encrypted again.

Fernet (AES-128-CBC with HMAC-SHA256) under ``settings.FIELD_KEYS``: the first key encrypts, each decrypts,
so that keys can be changed. What the ciphertext protects is a stolen dump or backup; the keys are kept apart
from it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Model, QuerySet
from django.utils import timezone

from sites.changes.constraints import problem_of
from sites.changes.errors import ChangeConflict, ChangeRefused, Problem
from sites.changes.work import clean
from sites.models import Closet, Secret, SecretReveal, Site, Subscription
from sites.models.access import User

M = TypeVar("M", bound=Model)


class SecretUnreadable(Exception):  # noqa: N818 - it says what is so
    """No key that the service has opens this code: it was written under one that is gone."""


@transaction.atomic
def secret_add(
    *, user: User, site: Site, label: str, code: str, kind: Secret.Kind, closet: Closet | None = None
) -> Secret:
    """Keep a code under ``label``. One that was removed under this label is taken up again, with its log."""
    label = label.strip()
    removed = Secret.objects.select_for_update().filter(
        site=site, label__iexact=label, removed_at__isnull=False
    )
    secret = removed.first() or Secret(site=site)
    if secret.pk is not None:
        secret.version += 1
    return _written(secret, user, {"label": label, "code": code, "kind": kind, "closet": closet})


@transaction.atomic
def secret_alter(
    *, user: User, secret: Secret, given: Mapping[str, Any], expected_version: int | None = None
) -> Secret:
    """Replace the code, or what is said of it: those of ``code``, ``label``, ``kind`` and ``closet`` that are
    given."""
    locked = _locked(secret, expected_version)
    label = str(given.get("label", locked.label)).strip()
    others = Secret.objects.filter(site=locked.site_id, label__iexact=label, removed_at__isnull=False)
    if others.exclude(pk=locked.pk).exists():
        detail = "A code of this label was removed: add it again under this label, or choose another label."
        raise ChangeRefused([Problem(detail, "in_use", "/label")])
    locked.version += 1
    return _written(locked, user, {**given, "label": label})


@transaction.atomic
def secret_remove(*, user: User, secret: Secret, expected_version: int | None = None) -> None:
    """Forget the code. Its label stays, for the log of the people who were shown it."""
    locked = _locked(secret, expected_version)
    locked.ciphertext = b""
    locked.written_by, locked.written_at = user, timezone.now()
    locked.removed_at = locked.written_at
    locked.version += 1
    locked.save()


@transaction.atomic
def secret_reveal(*, user: User, secret: Secret, reason: str) -> str:
    """The code, with a row in the log that says who was shown it and why.

    1. Write the log row. 2. Decrypt. A code is never shown without its row: the caller shows it after commit.
    """
    if not reason.strip():
        raise ChangeRefused([Problem("Say why you need the code.", "required", "/reason")])
    reveal = SecretReveal(secret=secret, user=user, reason=reason.strip())
    clean(reveal, ["reason"])
    reveal.save()
    try:
        return field_keys().decrypt(bytes(secret.ciphertext)).decode()
    except InvalidToken as error:
        raise SecretUnreadable(
            f"Code “{secret.label}” was written under a key that is gone; write it again."
        ) from error


@dataclass
class Rotated:
    """How many codes, and secrets of subscriptions, are encrypted under the first key now; and what no key
    opens."""

    count: int = 0
    subscriptions: int = 0
    unreadable: list[Secret] = field(default_factory=list)
    unreadable_subscriptions: list[Subscription] = field(default_factory=list)


def secrets_rotate(*, batch_size: int = 500) -> Rotated:
    """Encrypt every code, and every secret of a subscription, again under the first key. Run it before an old
    key is dropped.

    Each batch is its own transaction, and what is rewritten meanwhile keeps what was written.
    """
    done = Rotated()
    kept = Secret.objects.filter(removed_at__isnull=True)
    done.count = _rotate(kept, ["ciphertext"], done.unreadable, batch_size)
    done.subscriptions = _rotate(
        Subscription.objects.all(), ["secret", "old_secret"], done.unreadable_subscriptions, batch_size
    )
    return done


def _rotate(rows: QuerySet[M], columns: list[str], unreadable: list[M], batch_size: int) -> int:
    keys = field_keys()
    count = last = 0
    while True:
        with transaction.atomic():
            batch = list(rows.order_by("pk").filter(pk__gt=last).select_for_update()[:batch_size])
            readable = []
            for row in batch:
                try:
                    for column in columns:
                        value = getattr(row, column)
                        if value is not None:
                            setattr(row, column, keys.rotate(bytes(value)))
                except InvalidToken:
                    unreadable.append(row)
                else:
                    readable.append(row)
            rows.model._default_manager.bulk_update(readable, columns)
        if not batch:
            return count
        count += len(readable)
        last = batch[-1].pk


def _locked(secret: Secret, expected_version: int | None) -> Secret:
    locked = Secret.objects.select_for_update(of=("self",)).get(pk=secret.pk)
    if locked.removed_at is not None or expected_version not in (None, locked.version):
        raise ChangeConflict([Problem("This code was changed meanwhile; look at it again.", "conflict")])
    return locked


def _written(secret: Secret, user: User, given: Mapping[str, Any]) -> Secret:
    """``secret`` with what is given, saved. Who replaced the code, and when, goes with it."""
    values = dict(given)
    code: str | None = values.pop("code", None)
    if code is not None:
        if not code.strip():
            raise ChangeRefused([Problem("The code is missing.", "required", "/code")])
        secret.ciphertext = field_keys().encrypt(code.encode())
        secret.written_by, secret.written_at, secret.removed_at = user, timezone.now(), None
    for name, value in values.items():
        setattr(secret, name, value)
    if secret.closet is not None and secret.closet.site_id != secret.site_id:
        raise ChangeRefused([Problem("The closet must be one of the same site.", "other_site", "/closet_id")])
    clean(secret, ["label", "kind"])
    try:
        secret.save()
    except IntegrityError as error:
        raise ChangeRefused([problem_of(error)]) from error
    return secret


def field_keys() -> MultiFernet:
    return MultiFernet([Fernet(key) for key in settings.FIELD_KEYS])
