"""Codes: encrypted, shown one at a time with the reveal logged, and in no other place."""

from __future__ import annotations

import json

import pytest
from cryptography.fernet import Fernet
from django.core import serializers
from pytest_django import Settings

from sites.changes.errors import ChangeConflict, ChangeRefused
from sites.models import Closet, Secret, SecretReveal, Site
from sites.models.access import User
from sites.models.changes import Change
from sites.services.secrets import (
    SecretUnreadable,
    secret_add,
    secret_alter,
    secret_remove,
    secret_reveal,
    secrets_rotate,
)
from tests import factories
from tests.sites.changes.rows import refused, sql

pytestmark = pytest.mark.django_db
CODE = "4711#"


@pytest.fixture
def secret(site: Site, closet: Closet, technician: User) -> Secret:
    return secret_add(
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


def test_a_new_code_takes_the_place_of_the_old(secret: Secret, manager: User, technician: User) -> None:
    replaced = secret_alter(user=manager, secret=secret, given={"code": "0815"}, expected_version=1)
    assert (replaced.pk, replaced.written_by, replaced.version) == (secret.pk, manager, 2)
    assert replaced.written_at > secret.written_at
    assert secret_reveal(user=manager, secret=replaced, reason="check") == "0815"
    renamed = secret_alter(user=technician, secret=replaced, given={"label": "main gate"})
    assert (renamed.label, renamed.written_by, renamed.written_at) == (
        "main gate",
        manager,
        replaced.written_at,
    ), "who set the code stays"
    with pytest.raises(ChangeConflict):
        secret_alter(user=manager, secret=secret, given={"code": "1"}, expected_version=1)


def test_a_label_holds_one_code(secret: Secret, site: Site, manager: User) -> None:
    with pytest.raises(ChangeRefused) as caught:
        secret_add(user=manager, site=site, kind=Secret.Kind.DOOR, label=" Gate ", code="0815")
    assert caught.value.problems[0].pointer == "/label"
    assert secret_reveal(user=manager, secret=secret, reason="check") == CODE


def test_a_code_that_is_removed_is_gone_and_its_log_stays(
    secret: Secret, site: Site, manager: User, dispatcher: User
) -> None:
    secret_reveal(user=dispatcher, secret=secret, reason="night call")
    secret_remove(user=manager, secret=secret, expected_version=1)
    secret.refresh_from_db()
    assert bytes(secret.ciphertext) == b""
    assert (secret.written_by, secret.removed_at) == (manager, secret.written_at)
    assert SecretReveal.objects.get().secret == secret
    with pytest.raises(ChangeConflict):
        secret_alter(user=manager, secret=secret, given={"code": "1"})
    other = secret_add(user=manager, site=site, kind=Secret.Kind.DOOR, label="door", code="1")
    with pytest.raises(ChangeRefused, match="was removed"):
        secret_alter(user=manager, secret=other, given={"label": "GATE"})
    again = secret_add(user=dispatcher, site=site, kind=Secret.Kind.ALARM, label="GATE", code="0815")
    assert (again.pk, again.label, again.removed_at) == (secret.pk, "GATE", None)
    assert secret_reveal(user=dispatcher, secret=again, reason="check") == "0815"


def test_keys_are_changed_without_losing_a_code(secret: Secret, manager: User, settings: Settings) -> None:
    old, new = settings.FIELD_KEYS[0], Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, old]
    assert secret_reveal(user=manager, secret=secret, reason="before") == CODE
    assert secrets_rotate(batch_size=1).count == 1
    settings.FIELD_KEYS = [new]
    secret.refresh_from_db()
    assert secret_reveal(user=manager, secret=secret, reason="after") == CODE
    settings.FIELD_KEYS = [old]
    with pytest.raises(SecretUnreadable, match="write it again"):
        secret_reveal(user=manager, secret=secret, reason="too late")


def test_what_no_key_opens_stops_no_other(secret: Secret, site: Site, settings: Settings) -> None:
    gone = settings.FIELD_KEYS
    settings.FIELD_KEYS = [Fernet.generate_key().decode()]
    other = secret_add(user=secret.written_by, site=site, kind=Secret.Kind.DOOR, label="door", code="0815")
    removed = secret_add(user=secret.written_by, site=site, kind=Secret.Kind.DOOR, label="hatch", code="1")
    secret_remove(user=secret.written_by, secret=removed)
    new = Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, *settings.FIELD_KEYS]
    done = secrets_rotate(batch_size=1)
    assert (done.count, done.unreadable) == (1, [secret])
    settings.FIELD_KEYS = [new]
    other.refresh_from_db()
    assert secret_reveal(user=secret.written_by, secret=other, reason="check") == "0815"
    settings.FIELD_KEYS = gone
    secret.refresh_from_db()
    assert secret_reveal(user=secret.written_by, secret=secret, reason="check") == CODE


def test_a_code_is_of_its_site(site: Site, technician: User) -> None:
    theirs = factories.make_closet()
    with pytest.raises(ChangeRefused) as caught:
        secret_add(user=technician, site=site, closet=theirs, kind=Secret.Kind.DOOR, label="gate", code=CODE)
    assert caught.value.problems[0].pointer == "/closet_id"
    with refused("secret_closet_of_its_site"):
        Secret.objects.create(
            site=site, closet=theirs, kind="door", label="gate", ciphertext=b"", written_by=technician
        )


@pytest.mark.parametrize(("field", "value"), [("code", " "), ("label", "")])
def test_a_code_has_a_label(site: Site, technician: User, field: str, value: str) -> None:
    given = {"label": "gate", "code": CODE, field: value}
    with pytest.raises(ChangeRefused) as caught:
        secret_add(
            user=technician, site=site, kind=Secret.Kind.DOOR, label=given["label"], code=given["code"]
        )
    assert caught.value.problems[0].pointer == f"/{field}"
