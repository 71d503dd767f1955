"""Headers that tell a browser what a page may do: on every page, the reference and a wrong address too."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from django.core.cache import cache
from django.db import OperationalError
from django.test import Client

from api.pages.fleet import search
from api.pages.urls import PAGES as ROWS
from api.pages.urls import Row
from sites.models import User
from tests.api.conftest import Caller
from tests.page_addresses import Shown

pytestmark = pytest.mark.django_db

PAGES = ["/", "/api/v1/reference", "/nowhere"]


def directives(policy: str) -> dict[str, list[str]]:
    return {words[0]: words[1:] for words in (part.split() for part in policy.split(";")) if words}


def nonces_of(answer: Any) -> list[str]:
    """The nonces of the styles within a page, after a look at its policy and at what that would stop."""
    page = answer.content.decode()
    policy = directives(answer["Content-Security-Policy"])
    assert policy["default-src"] == ["'none'"]
    assert policy["frame-ancestors"] == ["'none'"]
    assert policy["script-src"] == ["'self'"]
    nonces = re.findall(r'<style nonce="([^"]+)">', page)
    assert policy["style-src"] == ["'self'", *(f"'nonce-{nonce}'" for nonce in nonces)]
    # Nothing that the policy stops: no other style or script within the page, none from elsewhere
    assert page.count("<style") == len(nonces)
    assert not re.search(r"<script(?![^>]* src=)|\sstyle=|\bon\w+=", page)
    assert not re.search(r'(?:src|href)="(?:https?:)?//(?!testserver)', page)
    return nonces


@pytest.mark.parametrize("address", PAGES)
def test_a_page_says_what_it_may_load(client: Client, address: str) -> None:
    answer = client.get(address, headers={"Accept": "text/html"})
    assert answer["Content-Type"].startswith("text/html")
    # Only the reference has a style within it: the library that makes it knows no other place
    assert bool(nonces_of(answer)) is (address == "/api/v1/reference")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_so_does_each_page_that_shows_the_record(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    answer = logged_in(manager).get(shown.address(row), follow=True)
    assert answer.status_code == 200
    assert answer["X-Frame-Options"] == "DENY"
    if answer["Content-Type"].startswith("text/html"):
        assert nonces_of(answer) == []
    else:
        assert answer["Content-Type"] == "application/pdf"


@pytest.mark.parametrize("address", [*PAGES, "/healthz", "/api/v1/problems"])
def test_every_answer_has_the_other_headers(client: Client, address: str) -> None:
    answer = client.get(address)
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["Referrer-Policy"] == "same-origin"
    assert answer["Cross-Origin-Opener-Policy"] == "same-origin"


@pytest.mark.parametrize("address", ["/healthz", "/api/v1/problems", "/api/v1/nowhere", "/api/v1/sites"])
def test_json_lets_a_browser_do_nothing(client: Client, address: str) -> None:
    answer = client.get(address)
    assert "json" in answer["Content-Type"]
    assert directives(answer["Content-Security-Policy"]) == {
        "default-src": ["'none'"],
        "frame-ancestors": ["'none'"],
    }


def test_the_nonce_is_of_one_answer(client: Client) -> None:
    first, second = (client.get("/api/v1/reference")["Content-Security-Policy"] for _ in range(2))
    assert first != second


# --- what is answered in the place of a page ----------------------------------------------------------------


def has_headers_of_a_page(answer: Any, status: int) -> None:
    assert answer.status_code == status
    assert answer["Content-Type"].startswith("text/html")
    assert nonces_of(answer) == []
    assert answer["X-Frame-Options"] == "DENY"
    assert answer["X-Content-Type-Options"] == "nosniff"


@pytest.fixture
def nothing_counted() -> Iterator[None]:
    cache.clear()
    yield
    cache.clear()


def test_a_foreign_host_is_told_by_a_page_with_headers(client: Client) -> None:
    has_headers_of_a_page(client.get("/", headers={"Host": "elsewhere.example"}), 400)


def test_so_is_a_form_without_its_token(logged_in: Caller, manager: User) -> None:
    has_headers_of_a_page(logged_in(manager, csrf=False).post("/log-out"), 403)


@pytest.mark.parametrize(
    ("error", "status"), [(ZeroDivisionError(), 500), (OperationalError("server closed the connection"), 503)]
)
def test_so_is_a_page_that_fails(
    error: Exception, status: int, logged_in: Caller, manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_args: Any, **_kwargs: Any) -> Any:
        raise error

    monkeypatch.setattr(search, "answer_of", fails)
    has_headers_of_a_page(logged_in(manager).get("/search?q=quay"), status)


@pytest.mark.usefixtures("nothing_counted")
def test_so_is_a_guess_at_passwords(manager: User, settings: Any) -> None:
    client = Client()
    form = {"username": manager.username, "password": "a guess"}
    for _ in range(settings.AXES_FAILURE_LIMIT):
        answer = client.post("/log-in", form, headers={"Accept": "text/html"})
    has_headers_of_a_page(answer, 429)
