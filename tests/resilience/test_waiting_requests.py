"""What waits for the database stops nothing else: behind a table that somebody has locked, one thread of each
worker stays free, and health answers at once."""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from typing import Any

import httpx
import psycopg
import pytest

from sites.access.services import token_make
from sites.models import User
from tests.resilience.conftest import Processes
from tests.resilience.serving import start_server
from tests.zones.recheck.conftest import another_connection

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

REQUESTS, MAY_WAIT = 10, 3  # of four threads
PROMISED_S = 0.1
LONG_S = 60


@pytest.fixture
def headers(processes: Processes, manager: User) -> dict[str, str]:
    _token, secret = token_make(user=manager, scopes=["record:read"])
    return {"Authorization": f"Bearer {secret}"}


@pytest.fixture
def locked_zones(processes: Processes) -> Iterator[psycopg.Connection[Any]]:
    """Somebody's session that has locked the table of zones, until it rolls back."""
    with another_connection() as somebody:
        yield somebody


def lock(somebody: psycopg.Connection[Any]) -> None:
    somebody.execute("BEGIN")
    somebody.execute("LOCK TABLE zone IN ACCESS EXCLUSIVE MODE")


def waiting_sessions(somebody: psycopg.Connection[Any]) -> int:
    row = somebody.execute(
        "SELECT count(*) FROM pg_locks WHERE relation = 'zone'::regclass AND NOT granted"
    ).fetchone()
    assert row is not None
    return int(row[0])


def test_behind_a_locked_table_other_requests_and_health_go_on(
    processes: Processes, headers: dict[str, str], locked_zones: psycopg.Connection[Any]
) -> None:
    _server, url = start_server(processes, ZONEBOOK_LOCK_TIMEOUT_S="60", ZONEBOOK_STATEMENT_TIMEOUT_S="60")

    def ask(path: str) -> httpx.Response:
        return httpx.get(f"{url}{path}", headers=headers, timeout=LONG_S)

    lock(locked_zones)
    try:
        with ThreadPoolExecutor(REQUESTS + 2) as pool:
            waiting: set[Future[httpx.Response]] = {
                pool.submit(ask, "/api/v1/zones") for _ in range(REQUESTS)
            }
            done: set[Future[httpx.Response]] = set()
            while len(waiting) > MAY_WAIT:
                some, waiting = wait(waiting, timeout=LONG_S, return_when=FIRST_COMPLETED)
                assert some
                done |= some
            for answer in (one.result() for one in done):
                assert (answer.status_code, answer.json()["code"]) == (503, "unavailable")
                assert int(answer.headers["Retry-After"]) >= 1
            assert waiting_sessions(locked_zones) == MAY_WAIT

            assert ask("/api/v1/customers").status_code == 200

            over = threading.Event()
            persistent = [pool.submit(_ask_on_and_on, ask, over) for _ in range(2)]
            took = []
            with httpx.Client(base_url=url) as client:
                for _ in range(21):
                    began = time.perf_counter()
                    assert client.get("/healthz").status_code == 200
                    took.append(time.perf_counter() - began)
            over.set()
            assert all(one.result() > 0 for one in persistent)
            assert statistics.median(took) < PROMISED_S, took
            assert waiting_sessions(locked_zones) <= MAY_WAIT + 1

            locked_zones.execute("ROLLBACK")
            assert [one.result().status_code for one in waiting] == [200] * MAY_WAIT
    finally:
        locked_zones.execute("ROLLBACK")


def _ask_on_and_on(ask: Any, over: threading.Event) -> int:
    """Keep the last thread busy. Returns how often it was answered."""
    count = 0
    while not over.is_set() or not count:
        assert ask("/api/v1/zones").status_code == 503
        count += 1
    return count


def test_a_request_waits_for_a_lock_no_longer_than_the_limit(
    processes: Processes, headers: dict[str, str], locked_zones: psycopg.Connection[Any]
) -> None:
    """The lock is held until the answer is there, so without a limit there would be none."""
    _server, url = start_server(processes, ZONEBOOK_LOCK_TIMEOUT_S="1")
    lock(locked_zones)
    try:
        answer = httpx.get(f"{url}/api/v1/zones", headers=headers, timeout=LONG_S)
    finally:
        locked_zones.execute("ROLLBACK")
    assert (answer.status_code, answer.json()["code"]) == (503, "unavailable")
    assert httpx.get(f"{url}/api/v1/zones", headers=headers, timeout=LONG_S).status_code == 200
