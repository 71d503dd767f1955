"""What a user, a session or a token may no longer do ends at the next request."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.base_user import AbstractBaseUser
from django.test import Client

from sites.access.services import token_make
from sites.models import Customer, KeptAnswer
from sites.models.access import Token, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.altering_users import PASSWORD, alter, pointers, send
from tests.api.v1.asking import get, post

# --- what ends at once --------------------------------------------------------------------------------------


def bearer(user: User, scopes: list[str]) -> Client:
    _, secret = token_make(user=user, scopes=scopes)
    return Client(headers={"Authorization": f"Bearer {secret}"})


def test_who_is_deactivated_is_refused_at_the_next_request_and_for_good(
    manager: User, dispatcher: User, logged_in: Caller
) -> None:
    ours, theirs, program = logged_in(manager), logged_in(dispatcher), bearer(dispatcher, ["record:read"])
    for client in (theirs, program):
        assert client.get("/api/v1/sites").status_code == 200
    answer = post(ours, f"users/{dispatcher.pk}/deactivate", {}, status=200)
    assert answer.json()["is_active"] is False
    for client in (theirs, program):
        assert client.get("/api/v1/sites").status_code == 401
    assert theirs.get("/fleet")["Location"].startswith("/log-in")
    again = post(ours, f"users/{dispatcher.pk}/deactivate", {}, status=200)
    assert (again.json(), again["ETag"]) == (answer.json(), answer["ETag"])
    assert post(ours, f"users/{dispatcher.pk}/activate", {}, status=200).json()["is_active"] is True
    for client in (theirs, program):
        assert client.get("/api/v1/sites").status_code == 401, "it came back to life"
    fresh = Client()
    fresh.post("/log-in", {"username": dispatcher.username, "password": "correct horse"})
    assert fresh.get("/api/v1/sites").status_code == 200


def test_a_session_from_before_sessions_were_counted_goes_on(dispatcher: User) -> None:
    """The hash that the last release kept in the session is that of a user whose sessions never ended."""
    of_django: Any = AbstractBaseUser
    before = of_django._get_session_auth_hash(dispatcher)
    assert dispatcher.get_session_auth_hash() == before
    dispatcher.sessions_ended = 1
    assert dispatcher.get_session_auth_hash() != before


def test_another_password_ends_the_other_sessions(manager: User, dispatcher: User, logged_in: Caller) -> None:
    ours, elsewhere, theirs = logged_in(manager), logged_in(manager), logged_in(dispatcher)
    send(ours, f"users/{dispatcher.pk}/password", {"password": PASSWORD})
    assert theirs.get("/api/v1/sites").status_code == 401
    assert send(ours, f"users/{manager.pk}/password", {"password": PASSWORD}).status_code == 200
    assert ours.get("/api/v1/sites").status_code == 200, "the session that asked"
    assert elsewhere.get("/api/v1/sites").status_code == 401


@pytest.mark.parametrize(
    ("password", "stated"), [("password", "too common"), ("ines", "too short"), ("Technician", "too similar")]
)
def test_a_weak_password_is_refused(
    manager: User, technician: User, logged_in: Caller, password: str, stated: str
) -> None:
    answer = send(logged_in(manager), f"users/{technician.pk}/password", {"password": password})
    assert stated in pointers(answer, 400, "invalid")["/password"]
    technician.refresh_from_db()
    assert technician.check_password("correct horse")


def test_a_password_is_kept_nowhere_for_its_key(manager: User, dispatcher: User, logged_in: Caller) -> None:
    client, address = logged_in(manager), f"users/{dispatcher.pk}/password"
    first, again = (
        send(client, address, {"password": PASSWORD}, **{"Idempotency-Key": "k"}) for _ in range(2)
    )
    assert (first.status_code, again["Idempotency-Replayed"]) == (200, "true")
    (kept,) = KeptAnswer.objects.values()
    assert PASSWORD not in f"{kept} {bytes(kept['body']).decode()}"


def test_a_role_and_a_customer_taken_away_are_gone_at_the_next_request(
    customer: Customer, other_customer: Customer, manager: User, of_both: User, logged_in: Caller
) -> None:
    site = factories.make_site(other_customer)
    ours, theirs = logged_in(manager), logged_in(of_both)
    program = bearer(of_both, ["record:read", "record:write"])
    body = {"site_id": site.pk, "name": "MDF", "change": {"reason": "surveyed"}}
    for client in (theirs, program):
        assert client.get(f"/api/v1/sites/{site.pk}").status_code == 200
    alter(ours, of_both, {"role": "dispatcher"})
    for client in (theirs, program):
        assert send(client, "closets", body).status_code == 403
    alter(ours, of_both, {"customer_ids": [customer.pk]})
    for client in (theirs, program):
        assert client.get(f"/api/v1/sites/{site.pk}").status_code == 404


# --- their tokens -------------------------------------------------------------------------------------------


def test_a_manager_lists_and_revokes_the_tokens_of_those_they_see(
    keeper: User, dispatcher: User, of_both: User, with_token: Caller
) -> None:
    token, secret = token_make(user=dispatcher, scopes=["record:read"], name="panel")
    beyond, _ = token_make(user=of_both, scopes=["record:read"])
    client = with_token(keeper)
    (listed,) = get(client, f"users/{dispatcher.pk}/tokens")["items"]
    assert (listed["id"], listed["name"], listed["revoked_at"]) == (token.pk, "panel", None)
    assert "secret" not in listed
    assert "digest" not in listed
    post(client, f"tokens/{token.pk}/revoke", {}, status=200)
    assert Client(headers={"Authorization": f"Bearer {secret}"}).get("/api/v1/sites").status_code == 401
    hidden, never = (send(client, f"tokens/{number}/revoke", {}) for number in (beyond.pk, 999999999))
    assert problem(hidden, 404, "not_found")["detail"] == problem(never, 404, "not_found")["detail"]
    assert Token.objects.get(pk=beyond.pk).revoked_at is None


def test_who_is_no_manager_revokes_no_token_of_others(
    dispatcher: User, technician: User, with_token: Caller
) -> None:
    token, _ = token_make(user=dispatcher, scopes=["record:read"])
    assert problem(send(with_token(technician), f"tokens/{token.pk}/revoke", {}), 404, "not_found")
    assert Token.objects.get(pk=token.pk).revoked_at is None
