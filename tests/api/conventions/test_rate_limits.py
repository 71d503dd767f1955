"""Rate limits: each caller its own, counted for every answer, and shown in headers."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.core.cache import cache
from django.core.cache.backends.redis import RedisCache
from django.core.handlers.wsgi import WSGIHandler
from django.db import connection
from django.test import Client, RequestFactory
from django.test.utils import CaptureQueriesContext

from api.conventions.authentication import note_use
from api.conventions.permissions import address_of, count_request
from sites.models import User
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem


@pytest.fixture(autouse=True)
def three_requests(settings: Any) -> Iterator[None]:
    settings.REQUESTS_PER_MINUTE = settings.REFUSED_PER_MINUTE = 3
    cache.clear()
    yield
    cache.clear()


def left(answer: Any) -> int:
    found = re.fullmatch(r'"default";r=(\d+);t=(\d+)', answer["RateLimit"])
    assert found is not None
    assert int(found[2]) > 0
    assert answer["RateLimit-Policy"].startswith('"default";q=3;w=')
    return int(found[1])


@pytest.fixture
def long_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window that no test can run across the edge of: it ends when the century does."""
    monkeypatch.setattr("api.conventions.permissions.WINDOW_S", 4_000_000_000)


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


def test_what_the_role_forbids_counts_too(with_token: Caller, reader: User, long_window: None) -> None:
    client = with_token(reader)
    answer = client.post("/api/v1/sites", {}, content_type="application/json")
    problem(answer, 403, "forbidden")
    assert left(answer) == 2


def test_a_new_window_starts_from_nothing(
    with_token: Caller, reader: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = with_token(reader)
    monkeypatch.setattr("api.conventions.permissions.time.time", lambda: 6_000_000_059.5)
    for _ in range(4):
        answer = client.get("/api/v1/sites")
    problem(answer, 429, "rate_limited")
    assert answer["Retry-After"] == "1"
    monkeypatch.setattr("api.conventions.permissions.time.time", lambda: 6_000_000_060.0)
    assert left(client.get("/api/v1/sites")) == 2


def test_what_is_public_is_not_counted(anonymous: Any) -> None:
    assert "RateLimit" not in anonymous.get("/api/v1/problems")


def test_a_request_that_reads_writes_nothing(with_token: Caller, reader: User) -> None:
    client = with_token(reader)
    client.get("/api/v1/sites")  # the first of a token notes that it is in use
    with CaptureQueriesContext(connection) as queries:
        client.get("/api/v1/sites")
    assert len(queries) > 0
    assert [one["sql"] for one in queries if not one["sql"].startswith("SELECT")] == []


def test_the_use_of_a_token_is_noted_after_its_answer(
    with_token: Caller, reader: User, rf: RequestFactory
) -> None:
    secret = with_token(reader).defaults["HTTP_AUTHORIZATION"]
    with CaptureQueriesContext(connection) as queries:
        answer = WSGIHandler().get_response(rf.get("/api/v1/sites", headers={"Authorization": secret}))
    assert answer.status_code == 200
    assert [one["sql"] for one in queries if not one["sql"].startswith("SELECT")] == []
    with CaptureQueriesContext(connection) as queries:
        note_use()
        note_use()
    (written,) = [one["sql"] for one in queries]
    assert written.startswith('UPDATE "token" SET "last_used_at"')


def refused(secret: str, **sent: Any) -> Any:
    return Client().get("/api/v1/sites", headers={"Authorization": f"Bearer {secret}"}, **sent)


NEVER_MADE = "zbk_" + "x" * 43


@pytest.mark.parametrize("secret", [NEVER_MADE, "zbk_short", ""])
def test_tokens_that_are_refused_are_counted_by_address(
    secret: str, with_token: Caller, reader: User, long_window: None
) -> None:
    assert [refused(secret).status_code for _ in range(3)] == [401] * 3
    answer = refused(secret)
    problem(answer, 429, "rate_limited")
    assert int(answer["Retry-After"]) > 0
    assert refused(secret, REMOTE_ADDR="192.0.2.7").status_code == 401
    assert with_token(reader).get("/api/v1/sites").status_code == 200  # of the same address


@pytest.mark.parametrize(
    ("sent", "address"),
    [
        ({"REMOTE_ADDR": "192.0.2.7"}, "192.0.2.7"),
        ({"REMOTE_ADDR": "2001:db8:1:2:3::4"}, "2001:db8:1:2::/64"),
        ({"REMOTE_ADDR": "::ffff:192.0.2.7"}, "192.0.2.7"),
        ({"REMOTE_ADDR": ""}, "unknown"),
        ({"REMOTE_ADDR": "10.0.0.2", "HTTP_X_FORWARDED_FOR": "198.51.100.9"}, "10.0.0.2"),
    ],
)
def test_an_address_is_that_of_the_connection(sent: dict[str, Any], address: str) -> None:
    assert address_of(RequestFactory().get("/", **sent)) == address


@pytest.mark.parametrize(
    ("added", "address"),
    [
        ("198.51.100.9", "198.51.100.9"),
        ("198.51.100.9:40812", "198.51.100.9"),
        ("[2001:db8:1:2:3::4]:40812", "2001:db8:1:2::/64"),
        ("[2001:db8:1:2:3::4]", "2001:db8:1:2::/64"),
        ("198.51.100.9:x", "unknown"),
    ],
)
def test_behind_a_proxy_it_is_what_the_proxy_added_and_not_what_the_caller_wrote(
    settings: Any, added: str, address: str
) -> None:
    settings.BEHIND_PROXY = True
    sent: dict[str, Any] = {"HTTP_X_FORWARDED_FOR": f"203.0.113.1, {added}"}
    assert address_of(RequestFactory().get("/", **sent)) == address


def test_callers_at_once_are_all_counted(long_window: None) -> None:
    with ThreadPoolExecutor(8) as pool:
        used = sorted(pool.map(lambda _: count_request("user 1")[0], range(80)))
    assert used == list(range(1, 81))


def test_two_that_are_the_first_of_a_window_are_both_counted(
    long_window: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of which one comes between what the other reads and writes."""
    add = cache.add

    def add_too_late(key: str, value: int, **options: Any) -> bool:
        return add(key, value, **options) and add(key, value, **options)

    monkeypatch.setattr("api.conventions.permissions.cache.add", add_too_late)
    assert count_request("user 1")[0] == 2


COUNT = """
import django; django.setup()
import api.conventions.permissions as throttling
throttling.WINDOW_S = 4_000_000_000
for _ in range(20): print(throttling.count_request("user 1")[0])
"""


def test_processes_that_share_a_cache_count_together(redis_url: str) -> None:
    shared = RedisCache(redis_url, {})
    shared.clear()
    environment = os.environ | {
        "ZONEBOOK_CACHE_URL": redis_url, "DJANGO_SETTINGS_MODULE": "tests.settings",
    }  # fmt: skip
    running = [
        subprocess.Popen([sys.executable, "-c", COUNT], env=environment, stdout=subprocess.PIPE, text=True)
        for _ in range(2)
    ]
    used = sorted(int(line) for one in running for line in one.communicate()[0].split())
    shared.clear()
    assert used == list(range(1, 41))


def test_where_the_cache_is_away_no_request_is_refused(
    with_token: Caller, reader: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.conventions.permissions.cache", RedisCache("redis://127.0.0.1:1/0", {}))
    client = with_token(reader)
    assert {client.get("/api/v1/sites").status_code for _ in range(5)} == {200}


def test_the_window_is_a_minute(with_token: Caller, reader: User) -> None:
    answer = with_token(reader).get("/api/v1/sites")
    assert answer["RateLimit-Policy"] == '"default";q=3;w=60'
    assert 0 < int(answer["RateLimit"].rpartition("=")[2]) <= 60


def test_who_waits_as_long_as_the_answer_says_waits_until_the_window_has_ended(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """49.5 s are left of the minute: after 49 s it would still be the same one."""
    monkeypatch.setattr("api.conventions.permissions.time.time", lambda: 6_000_000_010.5)
    assert count_request("user 1") == (1, 50)
