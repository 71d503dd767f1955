"""Codes: encrypted, shown one at a time with the reveal logged, and in no other place."""

from __future__ import annotations

import json

import pytest
from cryptography.fernet import Fernet
from django.core import serializers
from pytest_django import Settings

from sites.changes.errors import ChangeRefused
from sites.models import Closet, Secret, SecretReveal, Site
from sites.models.access import User
from sites.models.changes import Change
from sites.services.secrets import SecretUnreadable, secret_reveal, secret_write, secrets_rotate
from tests import factories
from tests.sites.changes.rows import refused, sql

pytestmark = pytest.mark.django_db
CODE = "4711#"


@pytest.fixture
def secret(site: Site, closet: Closet, technician: User) -> Secret:
    return secret_write(
        user=technician, site=site, closet=closet, kind=Secret.Kind.DOOR, label="gate", code=CODE
    )


def test_a_code_is_shown_to_who_says_why_and_that_is_logged(secret: Secret, dispatcher: User) -> None:
    assert secret_reveal(user=dispatcher, secret=secret, reason="night call") == CODE
    reveal = SecretReveal.objects.get()
    assert (reveal.secret, reveal.user, reveal.reason) == (secret, dispatcher, "night call")


def test_without_a_reason_nothing_is_shown(secret: Secret, dispatcher: User) -> None:
    with pytest.raises(ChangeRefused) as caught:
        secret_reveal(user=dispatcher, secret=secret, reason=" ")
    assert caught.value.problems[0].pointer == "/reason"
    assert not SecretReveal.objects.exists()


def test_the_log_is_only_added_to(secret: Secret, dispatcher: User) -> None:
    secret_reveal(user=dispatcher, secret=secret, reason="night call")
    for statement in ("DELETE FROM secret_reveal", "UPDATE secret_reveal SET reason = 'x'"):
        with refused("secret_reveal_is_only_added_to"):
            sql(statement)


def test_the_code_lies_in_no_row_and_no_change(secret: Secret) -> None:
    everything = serializers.serialize("json", [secret])
    everything += json.dumps(list(Change.objects.values_list("old_rows", "new_rows")), default=str)
    assert CODE not in everything
    assert CODE.encode() not in bytes(secret.ciphertext)
    assert not Change.objects.filter(table_name__startswith="secret").exists()


def test_a_new_code_takes_the_place_of_the_old(secret: Secret, site: Site, manager: User) -> None:
    again = secret_write(user=manager, site=site, kind=Secret.Kind.DOOR, label=" gate ", code="0815")
    assert again.pk == secret.pk
    assert again.written_by == manager
    assert secret_reveal(user=manager, secret=again, reason="check") == "0815"


def test_keys_are_changed_without_losing_a_code(secret: Secret, manager: User, settings: Settings) -> None:
    old, new = settings.FIELD_KEYS[0], Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, old]
    assert secret_reveal(user=manager, secret=secret, reason="before") == CODE
    assert secrets_rotate(batch_size=1) == 1
    settings.FIELD_KEYS = [new]
    secret.refresh_from_db()
    assert secret_reveal(user=manager, secret=secret, reason="after") == CODE
    settings.FIELD_KEYS = [old]
    with pytest.raises(SecretUnreadable, match="write it anew"):
        secret_reveal(user=manager, secret=secret, reason="too late")


def test_a_code_is_of_its_site(site: Site, technician: User) -> None:
    theirs = factories.make_closet()
    with pytest.raises(ChangeRefused) as caught:
        secret_write(
            user=technician, site=site, closet=theirs, kind=Secret.Kind.DOOR, label="gate", code=CODE
        )
    assert caught.value.problems[0].pointer == "/closet"
    with refused("secret_closet_of_its_site"):
        Secret.objects.create(
            site=site, closet=theirs, kind="door", label="gate", ciphertext=b"", written_by=technician
        )


@pytest.mark.parametrize(("field", "value"), [("code", " "), ("label", "")])
def test_a_code_has_a_label(site: Site, technician: User, field: str, value: str) -> None:
    given = {"label": "gate", "code": CODE, field: value}
    with pytest.raises(ChangeRefused) as caught:
        secret_write(
            user=technician, site=site, kind=Secret.Kind.DOOR, label=given["label"], code=given["code"]
        )
    assert caught.value.problems[0].pointer == f"/{field}"
