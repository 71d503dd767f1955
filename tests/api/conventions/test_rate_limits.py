"""Rate limits: each caller its own, counted whatever the answer, told in headers."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection, connections

from api.conventions.models import RequestWindow
from api.conventions.rate_limits import count_request
from sites.models import User
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem


@pytest.fixture(autouse=True)
def three_requests(settings: Any) -> None:
    settings.REQUESTS_PER_MINUTE = 3


def left(answer: Any) -> int:
    found = re.fullmatch(r'"default";r=(\d+);t=(\d+)', answer["RateLimit"])
    assert found is not None
    assert int(found[2]) > 0
    assert answer["RateLimit-Policy"].startswith('"default";q=3;w=')
    return int(found[1])


@pytest.fixture
def long_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window that no test can run across the edge of: it ends when the century does."""
    monkeypatch.setattr("api.conventions.rate_limits.WINDOW_S", 4_000_000_000)


def test_the_fourth_request_waits(with_token: Caller, reader: User, long_window: None) -> None:
    client = with_token(reader)
    assert [left(client.get("/api/v1/sites")) for _ in range(3)] == [2, 1, 0]
    answer = client.get("/api/v1/sites")
    problem(answer, 429, "rate_limited")
    assert left(answer) == 0
    assert answer["Retry-After"] == str(int(re.search(r"t=(\d+)", answer["RateLimit"])[1]))  # type: ignore[index]


def test_the_last_allowed_request_is_answered(with_token: Caller, reader: User, long_window: None) -> None:
    client = with_token(reader)
    assert [client.get("/api/v1/sites").status_code for _ in range(5)] == [200, 200, 200, 429, 429]


def test_what_is_refused_counts_too(with_token: Caller, reader: User, long_window: None) -> None:
    client = with_token(reader)
    assert left(client.get("/api/v1/sites/0")) == 2
    assert left(client.get("/api/v1/sites?x=1")) == 1
    assert left(client.delete("/api/v1/sites")) == 0
    problem(client.get("/api/v1/sites"), 429, "rate_limited")


def test_each_token_has_its_own(
    with_token: Caller, logged_in: Caller, reader: User, long_window: None
) -> None:
    first, second, person = with_token(reader), with_token(reader), logged_in(reader)
    for _ in range(4):
        first.get("/api/v1/sites")
    assert left(second.get("/api/v1/sites")) == 2
    assert left(person.get("/api/v1/sites")) == 2


def test_a_new_window_begins_anew(with_token: Caller, reader: User, long_window: None) -> None:
    client = with_token(reader)
    for _ in range(4):
        client.get("/api/v1/sites")
    RequestWindow.objects.update(window=-1)
    assert left(client.get("/api/v1/sites")) == 2


def test_what_is_public_is_not_counted(nobody: Any) -> None:
    assert "RateLimit" not in nobody.get("/api/v1/problems")
    assert not RequestWindow.objects.exists()


@pytest.mark.django_db(transaction=True)
def test_callers_at_once_are_all_counted(settings: Any, long_window: None) -> None:
    settings.REQUESTS_PER_MINUTE = 1000
    user = User.objects.create_user("busy")

    def ask(_number: int) -> int:
        try:
            return count_request(user, None).used
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        used = sorted(pool.map(ask, range(80)))
    assert used == list(range(1, 81))


def test_the_window_is_a_minute(with_token: Caller, reader: User) -> None:
    answer = with_token(reader).get("/api/v1/sites")
    assert answer["RateLimit-Policy"] == '"default";q=3;w=60'
    assert 0 < int(answer["RateLimit"].rpartition("=")[2]) <= 60


def test_a_crash_forgets_the_counts(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT relpersistence FROM pg_class WHERE relname = 'request_window'")
        assert cursor.fetchone() == ("u",)
