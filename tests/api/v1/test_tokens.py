"""One's own tokens over REST: made once, never worth more than who makes them, and revoked for good."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from sites.access.services import token_make
from sites.models import Customer
from sites.models.access import Token, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get, post


def refused(client: Client, body: dict[str, Any]) -> Any:
    return client.post("/api/v1/tokens", body, content_type="application/json")


def bearer(secret: str) -> Client:
    return Client(headers={"Authorization": f"Bearer {secret}"}, raise_request_exception=False)


def test_a_token_is_made_shown_once_and_works(manager: User, logged_in: Caller) -> None:
    client = logged_in(manager)
    answer = post(client, "tokens", {"name": "ticketing", "scopes": ["record:read", "findings:write"]})
    made = answer.json()
    assert answer["Cache-Control"] == "no-store"
    assert bearer(made["secret"]).get("/api/v1/sites").status_code == 200
    (listed,) = get(client, "tokens")["items"]
    assert (listed["id"], listed["name"], listed["customer_ids"]) == (made["id"], "ticketing", None)
    assert "secret" not in listed
    assert listed["last_used_at"] is not None
    assert made["secret"] not in str(Token.objects.values())


def test_a_revoked_token_is_dead_and_stays_so(manager: User, logged_in: Caller) -> None:
    client = logged_in(manager)
    made = post(client, "tokens", {"scopes": ["record:read"]}).json()
    first = post(client, f"tokens/{made['id']}/revoke", {}, status=200).json()
    assert bearer(made["secret"]).get("/api/v1/sites").status_code == 401
    again = post(client, f"tokens/{made['id']}/revoke", {}, status=200).json()
    assert again["revoked_at"] == first["revoked_at"] is not None


def test_those_of_others_are_not_among_ones_own(
    manager: User, dispatcher: User, outsider: User, logged_in: Caller
) -> None:
    other, _ = token_make(user=dispatcher, scopes=["record:read"])
    assert get(logged_in(manager), "tokens")["items"] == []
    client = logged_in(outsider)
    theirs = client.post(f"/api/v1/tokens/{other.pk}/revoke", {}, content_type="application/json")
    never = client.post("/api/v1/tokens/999999999/revoke", {}, content_type="application/json")
    assert theirs.status_code == never.status_code == 404
    assert theirs.json()["detail"] == never.json()["detail"]
    other.refresh_from_db()
    assert other.revoked_at is None


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({}, "/scopes", "cannot be left out"),
        ({"scopes": []}, "/scopes", "at least 1"),
        ({"scopes": ["record:raed"]}, "/scopes/0", "Did you mean record:read?"),
        ({"scopes": ["secrets:reveal"]}, "/scopes/0", "Expected one of"),
        ({"scopes": ["record:read"], "customer_ids": [999999999]}, "/customer_ids", "not granted"),
        ({"scopes": ["record:read"], "expires_at": "2020-01-01T00:00:00Z"}, "/expires_at", "future"),
        ({"scopes": ["record:read"], "expires_at": "2027-01-01"}, "/expires_at", "with its offset"),
        ({"scopes": ["record:read"], "scope": "x"}, "/scope", "Did you mean scopes?"),
    ],
)
def test_a_bad_body_is_named(
    customer: Customer, logged_in: Caller, body: dict[str, Any], pointer: str, stated: str
) -> None:
    client = logged_in(factories.make_user(User.Role.MANAGER, customers=[customer]))
    answer = refused(client, body)
    assert answer.status_code == 400, answer.content
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert not Token.objects.exists()


# --- made through a token -----------------------------------------------------------------------------------


def test_a_token_passes_on_no_more_than_it_has(
    customer: Customer, other_customer: Customer, manager: User, with_token: Caller
) -> None:
    client = with_token(manager, ["admin", "record:read"], [customer])
    answer = refused(client, {"scopes": ["record:write"]})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "/scopes")
    answer = refused(client, {"scopes": ["record:read"], "customer_ids": [other_customer.pk]})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "/customer_ids")
    made = post(client, "tokens", {"scopes": ["record:read"]}).json()
    assert made["customer_ids"] == [customer.pk], "it sees no more, though nothing was said"


def test_a_token_lasts_no_longer_than_the_one_that_made_it(manager: User) -> None:
    last = timezone.now() + dt.timedelta(days=3)
    _, secret = token_make(user=manager, scopes=["admin"], expires_at=last)
    client = bearer(secret)
    assert post(client, "tokens", {"scopes": ["admin"]}).json()["expires_at"] is not None
    later = (last + dt.timedelta(days=1)).isoformat()
    answer = refused(client, {"scopes": ["admin"], "expires_at": later})
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (400, "/expires_at")


def test_a_token_that_may_not_make_others_sees_itself_alone(manager: User) -> None:
    other, _ = token_make(user=manager, scopes=["record:read"])
    own, secret = token_make(user=manager, scopes=["record:read"])
    client = bearer(secret)
    assert [item["id"] for item in get(client, "tokens")["items"]] == [own.pk]
    assert refused(client, {"scopes": ["record:read"]}).status_code == 403
    address = "/api/v1/tokens/{}/revoke"
    assert client.post(address.format(other.pk), {}, content_type="application/json").status_code == 404
    assert client.post(address.format(own.pk), {}, content_type="application/json").status_code == 200
    assert client.get("/api/v1/sites").status_code == 401
