"""Who is asking: tokens and sessions, and the right one of 401 and 403."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from sites.models import Customer, Site, User
from sites.models.access import Token
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem


def test_an_anonymous_caller_is_asked_to_authenticate(anonymous: Client) -> None:
    answer = anonymous.get("/api/v1/sites")
    problem(answer, 401, "not_authenticated")
    assert answer["WWW-Authenticate"] == 'Bearer realm="zonebook"'


@pytest.mark.parametrize(
    "header",
    [
        "Bearer",
        "Bearer ",
        "Bearer zbk_" + "x" * 43,
        "Bearer zbk_é" + "x" * 42,
        "Basic bWF1ZDptYXVk",
        "Token abc",
        "Bearer a b",
    ],
)
def test_a_header_that_is_no_token_of_ours(anonymous: Client, header: str) -> None:
    answer = anonymous.get("/api/v1/sites", headers={"Authorization": header})
    problem(answer, 401, "invalid_token")
    # RFC 6750 section 3.1
    assert answer["WWW-Authenticate"] == 'Bearer realm="zonebook", error="invalid_token"'


def test_a_token_with_a_typing_error_is_told_from_one_that_was_never_made(
    anonymous: Client, with_token: Caller, reader: User
) -> None:
    client = with_token(reader)
    secret = client.defaults["HTTP_AUTHORIZATION"].split()[1]

    def said_of(text: str) -> str:
        with CaptureQueriesContext(connection) as queries:
            answer = anonymous.get("/api/v1/sites", headers={"Authorization": f"Bearer {text}"})
        assert len(queries) == (text == secret)
        detail: str = problem(answer, 401, "invalid_token")["detail"]
        assert text not in detail
        return detail

    Token.objects.all().delete()
    other = "b" if secret[10] == "a" else "a"
    assert said_of(secret) == "This token was never made, was revoked, or has expired."
    assert said_of(secret[:10] + other + secret[11:]).startswith("This token has a typing error")
    assert said_of(secret[:-1]).startswith("This is not a whole token")


def test_a_bad_token_is_not_overlooked_for_a_good_session(logged_in: Caller, reader: User) -> None:
    answer = logged_in(reader).get("/api/v1/sites", headers={"Authorization": "Bearer zbk_old"})
    problem(answer, 401, "invalid_token")


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_the_scheme_has_no_case(anonymous: Client, with_token: Caller, reader: User, scheme: str) -> None:
    authorization = with_token(reader).defaults["HTTP_AUTHORIZATION"]
    secret = authorization.split()[1]
    answer = anonymous.get("/api/v1/sites", headers={"Authorization": f"{scheme} {secret}"})
    assert answer.status_code == 200


def test_an_expired_token(with_token: Caller, reader: User) -> None:
    client = with_token(reader)
    Token.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    problem(client.get("/api/v1/sites"), 401, "invalid_token")


def test_a_person_needs_no_token(logged_in: Caller, reader: User, site: Site) -> None:
    answer = logged_in(reader).get("/api/v1/sites")
    assert [item["id"] for item in answer.json()["items"]] == [site.pk]


def test_a_user_who_is_not_active_is_anonymous(logged_in: Caller, reader: User) -> None:
    client = logged_in(reader)
    reader.is_active = False
    reader.save()
    problem(client.get("/api/v1/sites"), 401, "not_authenticated")


def test_a_session_without_the_csrf_token_changes_nothing(logged_in: Caller, manager: User) -> None:
    client = logged_in(manager, csrf=False)
    problem(client.post("/api/v1/customers", {}, content_type="application/json"), 403, "csrf_failed")


def test_a_token_needs_none(with_token: Caller, manager: User) -> None:
    answer = with_token(manager).delete("/api/v1/customers")
    problem(answer, 405, "method_not_allowed")


def test_a_missing_scope_is_named(with_token: Caller, manager: User) -> None:
    answer = with_token(manager, ["findings:write"]).get("/api/v1/sites")
    assert "record:read" in problem(answer, 403, "forbidden")["detail"]
    challenge = answer["WWW-Authenticate"]
    assert challenge == 'Bearer realm="zonebook", error="insufficient_scope", scope="record:read"'


def test_a_token_narrowed_to_one_customer_sees_that_one(
    with_token: Caller, manager: User, customer: Customer, site: Site, other_site: Site
) -> None:
    client = with_token(manager, customers=[customer])
    assert [item["id"] for item in client.get("/api/v1/sites").json()["items"]] == [site.pk]
    assert [item["id"] for item in client.get("/api/v1/customers").json()["items"]] == [customer.pk]
    problem(client.get(f"/api/v1/sites/{other_site.pk}"), 404, "not_found")


def test_answers_are_not_for_shared_caches(with_token: Caller, reader: User) -> None:
    answer = with_token(reader).get("/api/v1/sites")
    assert answer["Cache-Control"] == "private, no-cache"
    assert {"Authorization", "Cookie"} <= {name.strip() for name in answer["Vary"].split(",")}
