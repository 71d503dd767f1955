"""Tokens: made once, kept as a digest, narrowed, used, expired, revoked."""

from __future__ import annotations

import hashlib
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from sites.access.abilities import ROLES, TOKEN_SCOPES, Ability
from sites.access.credentials import checksum, digest_of, fault_of
from sites.access.selectors import principal_of, token_by_secret
from sites.access.services import token_make, token_revoke, token_used
from sites.models import Customer, Grant
from sites.models.access import Token, User


def test_a_secret_has_a_prefix_and_256_bits_and_only_its_digest_is_kept(manager: User) -> None:
    token, secret = token_make(user=manager, scopes=["record:read"])
    # 43 characters of 6 bits hold 256; then the checksum
    assert re.fullmatch(r"zbk_[A-Za-z0-9_-]{43}[A-Za-z0-9]{6}", secret)
    assert token.digest == hashlib.sha256(secret.encode()).hexdigest()
    kept = Token.objects.filter(pk=token.pk).values().get()
    assert secret not in map(str, kept.values())


def test_a_secret_ends_with_the_checksum_of_the_rest() -> None:
    """CRC-32 by gzip, in base 62 by bc: 1201566436 is 1 19 19 40 19 50, which are 1 J J e J o."""
    assert checksum("zbk_qLX0u3vJm2T7c-9_KdEwYb1NfRs8HgZa4oPi5UtVxCe") == "1JJeJo"
    assert checksum("") == "000000", "the CRC-32 of nothing is 0"


def test_two_secrets_differ(manager: User) -> None:
    secrets = {token_make(user=manager, scopes=["admin"])[1] for _ in range(20)}
    assert len(secrets) == 20


def test_a_token_is_found_by_its_secret_and_by_nothing_near_it(manager: User) -> None:
    token, secret = token_make(user=manager, scopes=["record:read"])
    assert token_by_secret(secret) == token
    for other in [secret[:-1], secret + "x", secret.swapcase(), token.digest, "", " " + secret]:
        assert token_by_secret(other) is None


def test_a_token_from_before_there_was_a_checksum_stays_valid(manager: User) -> None:
    old = "zbk_" + "Kp7" * 14 + "Q"
    token = Token.objects.create(user=manager, digest=digest_of(old), scopes=["record:read"])
    assert len(old) == 4 + 43
    assert fault_of(old) == ""
    assert token_by_secret(old) == token


SOUND = "zbk_qLX0u3vJm2T7c-9_KdEwYb1NfRs8HgZa4oPi5UtVxCe1JJeJo"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (SOUND, ""),
        (SOUND.replace("vJm", "vJn"), "typing error"),
        (SOUND.replace("0u3", "Ou3"), "typing error"),
        (SOUND.replace("u3v", "3uv"), "typing error"),
        (SOUND[:-1] + "O", "typing error"),
        (SOUND[:-1], "not a whole token"),
        (SOUND[:20], "not a whole token"),
        (SOUND + "x", "not a whole token"),
        (SOUND.replace("-", "."), "not a whole token"),
        (SOUND[1:], "begins with zbk_"),
        ("", "begins with zbk_"),
    ],
)
def test_what_is_cut_or_mistyped_is_told_without_a_look_at_the_database(text: str, said: str) -> None:
    """This test has no database."""
    fault = fault_of(text)
    assert said in fault
    assert bool(said) == bool(fault)
    assert text == "" or text not in fault


def test_a_revoked_token_is_over_and_stays_so(manager: User) -> None:
    token, secret = token_make(user=manager, scopes=["record:read"])
    token_revoke(token=token)
    first = token.revoked_at
    assert first is not None
    assert token_by_secret(secret) is None
    token_revoke(token=token)
    assert token.revoked_at == first


def test_a_token_ends_when_it_expires(manager: User) -> None:
    token, secret = token_make(
        user=manager, scopes=["record:read"], expires_at=timezone.now() + timedelta(hours=1)
    )
    assert token_by_secret(secret) == token
    Token.objects.filter(pk=token.pk).update(expires_at=timezone.now())
    assert token_by_secret(secret) is None


def test_a_token_of_someone_switched_off_does_nothing(manager: User) -> None:
    _, secret = token_make(user=manager, scopes=["record:read"])
    manager.is_active = False
    manager.save()
    assert token_by_secret(secret) is None
    with pytest.raises(ValidationError, match="switched off"):
        token_make(user=manager, scopes=["record:read"])


def test_an_unknown_scope_is_answered_with_the_scopes_there_are(manager: User) -> None:
    with pytest.raises(ValidationError) as error:
        token_make(user=manager, scopes=["record:raed", "plant"])
    first, second = error.value.messages
    assert "Did you mean record:read?" in first
    for ability in TOKEN_SCOPES:
        assert ability.value in second
    assert not Token.objects.exists()


def test_no_scope_is_no_token(manager: User) -> None:
    with pytest.raises(ValidationError, match="at least one scope"):
        token_make(user=manager, scopes=[])


def test_codes_are_never_for_programs(manager: User) -> None:
    with pytest.raises(ValidationError, match="no scope 'secrets:reveal'"):
        token_make(user=manager, scopes=["secrets:reveal"])


def test_a_token_does_no_more_than_its_user_may(dispatcher: User) -> None:
    with pytest.raises(ValidationError, match="dora is a dispatcher"):
        token_make(user=dispatcher, scopes=["record:write"])


def test_a_token_loses_what_its_user_loses(manager: User) -> None:
    token, _ = token_make(user=manager, scopes=["admin", "record:read"])
    assert principal_of(manager, token).abilities == {Ability.ADMIN, Ability.READ_RECORD}
    manager.role = User.Role.DISPATCHER
    manager.save()
    assert principal_of(manager, token).abilities == {Ability.READ_RECORD}


def test_a_token_narrows_its_users_grants(
    manager: User, customer: Customer, other_customer: Customer
) -> None:
    token, _ = token_make(user=manager, scopes=["record:read"], customer_ids=[other_customer.pk])
    scope = principal_of(manager, token).scope
    assert scope.covers(other_customer.pk)
    assert not scope.covers(customer.pk)
    assert principal_of(manager).scope.is_everything


def test_a_token_narrows_several_grants_to_one(
    dispatcher: User, customer: Customer, other_customer: Customer
) -> None:
    Grant.objects.create(user=dispatcher, customer=other_customer)
    token, _ = token_make(user=dispatcher, scopes=["record:read"], customer_ids=[customer.pk])
    wide, _ = token_make(user=dispatcher, scopes=["record:read"])
    assert principal_of(dispatcher, token).scope.customer_ids == frozenset({customer.pk})
    assert principal_of(dispatcher, wide).scope.customer_ids == frozenset({customer.pk, other_customer.pk})
    assert principal_of(dispatcher).scope.customer_ids == frozenset({customer.pk, other_customer.pk})


def test_a_token_never_widens_them(dispatcher: User, customer: Customer, other_customer: Customer) -> None:
    with pytest.raises(ValidationError, match="not granted"):
        token_make(user=dispatcher, scopes=["record:read"], customer_ids=[other_customer.pk])
    token, _ = token_make(user=dispatcher, scopes=["record:read"], customer_ids=[customer.pk])
    Grant.objects.filter(user=dispatcher).delete()
    assert not principal_of(dispatcher, token).scope.covers(customer.pk)


def test_a_token_narrowed_to_a_customer_that_is_gone_sees_nothing(manager: User, customer: Customer) -> None:
    token, _ = token_make(user=manager, scopes=["record:read"], customer_ids=[customer.pk])
    token.customers.clear()
    assert principal_of(manager, token).scope.customer_ids == frozenset()


def test_its_use_is_noted_at_most_once_an_hour(manager: User, monkeypatch: pytest.MonkeyPatch) -> None:
    token, secret = token_make(user=manager, scopes=["record:read"])
    noon = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
    written = []
    for seconds in [0, 1, 3599, 3601, 7000, 7202]:
        monkeypatch.setattr(timezone, "now", lambda at=noon + timedelta(seconds=seconds): at)
        found = token_by_secret(secret)
        assert found is not None
        with CaptureQueriesContext(
            connection,
        ) as queries:
            token_used(token=found)
        written.append(len(queries))
    assert written == [1, 0, 0, 1, 0, 1]
    token.refresh_from_db()
    assert token.last_used_at == noon + timedelta(seconds=7202)


def test_each_role_holds_what_the_lesser_one_holds() -> None:
    order = [User.Role.READER, User.Role.DISPATCHER, User.Role.TECHNICIAN, User.Role.MANAGER]
    for lesser, greater in pairwise(order):
        assert ROLES[lesser] < ROLES[greater]
    assert set(ROLES) == set(User.Role)
