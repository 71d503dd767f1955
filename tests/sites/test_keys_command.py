"""`manage.py keys rotate`."""

from __future__ import annotations

from io import StringIO

import pytest
from cryptography.fernet import Fernet
from django.core.management import CommandError, call_command
from pytest_django import Settings

from sites.models import Secret, Site, Subscription
from sites.models.access import User
from sites.services.secrets import secret_add, secret_reveal

pytestmark = pytest.mark.django_db


def kept(site: Site, user: User, count: int) -> list[Secret]:
    return [
        secret_add(user=user, site=site, kind=Secret.Kind.DOOR, label=f"door {number}", code=f"0815-{number}")
        for number in range(count)
    ]


def test_all_are_encrypted_under_the_first_key(site: Site, technician: User, settings: Settings) -> None:
    codes = kept(site, technician, 3)
    new = Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, *settings.FIELD_KEYS]
    said = StringIO()
    call_command("keys", "rotate", stdout=said)
    assert said.getvalue() == (
        "3 codes are now encrypted under the first key of ZONEBOOK_FIELD_KEYS. The other keys can go.\n"
    )
    settings.FIELD_KEYS = [new]
    for number, secret in enumerate(codes):
        secret.refresh_from_db()
        assert secret_reveal(user=technician, secret=secret, reason="check") == f"0815-{number}"


def test_a_code_that_no_key_opens_is_named(site: Site, technician: User, settings: Settings) -> None:
    (lost,) = kept(site, technician, 1)
    settings.FIELD_KEYS = [Fernet.generate_key().decode()]
    said = StringIO()
    with pytest.raises(CommandError) as caught:
        call_command("keys", "rotate", stdout=said)
    assert caught.value.returncode == 1
    assert f"door 0 (secret {lost.pk}, site {site.pk})" in str(caught.value)
    assert "can go" not in said.getvalue()


def test_secrets_of_subscriptions_too(site: Site, technician: User, settings: Settings) -> None:
    kept(site, technician, 1)
    before = settings.FIELD_KEYS
    gone = Fernet(Fernet.generate_key()).encrypt(b"whsec_x")
    for name, sealed in (("desk", Fernet(before[0]).encrypt(b"whsec_y")), ("old desk", gone)):
        Subscription.objects.create(
            owner=technician, name=name, url="https://desk.example.com/", secret=sealed
        )
    new = Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, *before]
    said = StringIO()
    with pytest.raises(CommandError, match=r"old desk \(subscription \d+\)$"):
        call_command("keys", "rotate", stdout=said)
    assert said.getvalue().startswith("1 code and 1 signing secret are now encrypted under the first key")
    desk = Subscription.objects.get(name="desk")
    assert Fernet(new).decrypt(bytes(desk.secret)) == b"whsec_y"
    assert bytes(Subscription.objects.get(name="old desk").secret) == gone
