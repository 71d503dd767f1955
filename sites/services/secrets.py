"""Door and alarm codes: written, revealed one at a time with the reveal logged, encrypted again.

Fernet (AES-128-CBC with HMAC-SHA256) under ``settings.FIELD_KEYS``: the first key encrypts, each decrypts,
so that keys can be changed. What the ciphertext protects is a stolen dump or backup; the keys are kept apart
from it.
"""

from __future__ import annotations

from typing import Any

from cryptography.fernet import Fernet, InvalidToken, MultiFernet
from django.conf import settings
from django.db import IntegrityError, transaction

from sites.changes.constraints import problem_of
from sites.changes.errors import ChangeRefused, Problem
from sites.changes.work import clean
from sites.models import Closet, Secret, SecretReveal, Site
from sites.models.access import User


class SecretUnreadable(Exception):  # noqa: N818 - it says what is so
    """No key that the service has opens this code: it was written under one that is gone."""


@transaction.atomic
def secret_write(
    *, user: User, site: Site, label: str, code: str, kind: Secret.Kind, closet: Closet | None = None
) -> Secret:
    """Keep a code under ``label``, in place of the one of that label if there is one."""
    if not code.strip():
        raise ChangeRefused([Problem("The code is missing.", "required", "/code")])
    if closet is not None and closet.site_id != site.pk:
        raise ChangeRefused([Problem("The closet must be one of the same site.", "other_site", "/closet")])
    values: dict[str, Any] = {
        "closet": closet,
        "kind": kind,
        "ciphertext": _keys().encrypt(code.encode()),
        "written_by": user,
    }
    clean(Secret(site=site, label=label.strip(), **values), ["label", "kind"])
    try:
        secret, _ = Secret.objects.update_or_create(site=site, label=label.strip(), defaults=values)
    except IntegrityError as error:
        raise ChangeRefused([problem_of(error)]) from error
    return secret


@transaction.atomic
def secret_reveal(*, user: User, secret: Secret, reason: str) -> str:
    """The code, with a row in the log that says who was shown it and why.

    1. Write the log row. 2. Decrypt. A code is never shown without its row: the caller shows it after commit.
    """
    if not reason.strip():
        raise ChangeRefused([Problem("Say why you need the code.", "required", "/reason")])
    SecretReveal.objects.create(secret=secret, user=user, reason=reason.strip())
    try:
        return _keys().decrypt(bytes(secret.ciphertext)).decode()
    except InvalidToken as error:
        raise SecretUnreadable(
            f"Code “{secret.label}” was written under a key that is gone; write it anew."
        ) from error


def secrets_rotate(*, batch_size: int = 500) -> int:
    """Encrypt every code again under the first key; returns how many. Run it before an old key is dropped.

    Each batch is its own transaction, and a code rewritten meanwhile keeps what was written.
    """
    keys = _keys()
    done = 0
    last = 0
    while True:
        with transaction.atomic():
            batch = list(Secret.objects.filter(pk__gt=last).order_by("pk").select_for_update()[:batch_size])
            for secret in batch:
                secret.ciphertext = keys.rotate(bytes(secret.ciphertext))
            Secret.objects.bulk_update(batch, ["ciphertext"])
        if not batch:
            return done
        done += len(batch)
        last = batch[-1].pk


def _keys() -> MultiFernet:
    return MultiFernet([Fernet(key) for key in settings.FIELD_KEYS])
