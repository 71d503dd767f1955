"""A program that waits for events holds no thread and no transaction. As deployed: a web server, over
HTTP."""

from __future__ import annotations

import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import psycopg
import pytest

from api.events.publisher import publish
from sites.access.services import token_make
from sites.models import Site, User
from tests import factories
from tests.api.events.telling import happen
from tests.resilience.conftest import Processes
from tests.resilience.serving import start_server
from tests.zones.recheck.conftest import another_connection

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

WAITING = 60
LONG_S = 60


class Reader:
    """A program that reads the feed."""

    def __init__(self, url: str, secret: str) -> None:
        self.url, self.headers = url, {"Authorization": f"Bearer {secret}"}

    def ask(self, query: str) -> httpx.Response:
        answer = httpx.get(f"{self.url}/api/v1/{query}", headers=self.headers, timeout=LONG_S)
        assert answer.status_code == 200, answer.text
        return answer

    def subjects(self, query: str) -> list[str]:
        return [one["subject"] for one in self.ask(query).json()["items"]]


@pytest.fixture
def site() -> Site:
    return factories.make_site()


@pytest.fixture
def reader(processes: Processes, manager: User) -> Reader:
    _token, secret = token_make(user=manager, scopes=["events:read", "record:read"])
    _server, url = start_server(processes, ZONEBOOK_THREADS="2")
    return Reader(url, secret)


def sessions(other: psycopg.Connection[Any]) -> list[tuple[str]]:
    """What the other sessions of this database are in the middle of."""
    return other.execute(
        """SELECT state FROM pg_stat_activity WHERE datname = current_database()
           AND pid <> pg_backend_pid() AND application_name <> 'tests' AND state <> 'idle'"""
    ).fetchall()


def connections_of_web_servers(other: psycopg.Connection[Any]) -> int:
    row = other.execute(
        """SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()
           AND application_name LIKE 'zonebook web on %'"""
    ).fetchone()
    assert row is not None
    return int(row[0])


def test_many_wait_on_two_threads_and_all_are_told_at_once(reader: Reader, site: Site) -> None:
    with ThreadPoolExecutor(WAITING) as pool, another_connection() as other:
        waiting = [pool.submit(reader.subjects, "events?start=now&wait=30") for _ in range(5)]
        for asked in waiting:
            assert asked.result() == []  # `now` is an answer in itself
        cursor = reader.ask("events").json()["next"]
        waiting = [pool.submit(reader.subjects, f"events?after={cursor}&wait=30") for _ in range(WAITING)]
        time.sleep(1)
        over = time.monotonic() + LONG_S / 6
        while sessions(other) and time.monotonic() < over:  # on a busy machine some are still being read
            time.sleep(0.1)
        assert sessions(other) == []
        assert not any(asked.done() for asked in waiting)
        assert connections_of_web_servers(other) == 2 + 1, "README.md: one a thread, one while requests wait"
        began = time.monotonic()
        assert reader.ask("sites").status_code == 200
        assert httpx.get(f"{reader.url}/healthz", timeout=LONG_S).status_code == 200
        assert time.monotonic() - began < LONG_S / 4
        happen(site, "cases/1")
        publish()
        assert {tuple(asked.result()) for asked in waiting} == {("cases/1",)}


def test_the_answer_comes_when_the_time_is_over(reader: Reader) -> None:
    cursor = reader.ask("events").json()["next"]
    began = time.monotonic()
    answer = reader.ask(f"events?after={cursor}&wait=3").json()
    took = time.monotonic() - began
    assert answer["items"] == []
    assert answer["more"] is False
    assert took >= 3


def test_an_event_for_others_leaves_who_waits_waiting(
    reader: Reader, site: Site, processes: Processes, dispatcher: User
) -> None:
    _token, secret = token_make(user=dispatcher, scopes=["events:read"])
    narrow = Reader(reader.url, secret)
    cursor = narrow.ask("events").json()["next"]
    own = factories.make_site(dispatcher.grants.get().customer)
    with ThreadPoolExecutor(1) as pool:
        asked = pool.submit(narrow.subjects, f"events?after={cursor}&wait=30")
        time.sleep(0.5)
        happen(site, "cases/1")
        publish()
        time.sleep(1)
        assert not asked.done()
        happen(own, "cases/2")
        publish()
        assert asked.result() == ["cases/2"]


def test_the_connection_is_kept_and_serves_the_next_request(reader: Reader, site: Site) -> None:
    with httpx.Client(base_url=reader.url, headers=reader.headers, timeout=LONG_S) as client:
        cursor = client.get("/api/v1/events").json()["next"]
        for number in range(3):
            threading.Timer(0.5, _happen_and_close, [site, f"cases/{number}"]).start()
            answer = client.get(f"/api/v1/events?after={cursor}&wait=30").json()
            assert [one["subject"] for one in answer["items"]] == [f"cases/{number}"]
            cursor = answer["next"]
            assert client.get("/api/v1/sites").status_code == 200


def _happen_and_close(site: Site, subject: str) -> None:
    from django.db import connection

    happen(site, subject)
    publish()
    connection.close()


def test_who_hangs_up_while_waiting_is_let_go(reader: Reader, site: Site) -> None:
    host, port = reader.url.removeprefix("http://").split(":")
    cursor = reader.ask("events").json()["next"]
    head = (
        f"GET /api/v1/events?after={cursor}&wait=30 HTTP/1.1\r\nHost: {host}\r\n"
        f"Authorization: {reader.headers['Authorization']}\r\n\r\n"
    )
    for _ in range(20):
        with socket.create_connection((host, int(port))) as client:
            client.sendall(head.encode())
            time.sleep(0.02)
    happen(site, "cases/1")
    publish()
    assert reader.subjects(f"events?after={cursor}&wait=30") == ["cases/1"]


def test_a_server_that_stops_answers_who_waits(processes: Processes, reader: Reader) -> None:
    cursor = reader.ask("events").json()["next"]
    with ThreadPoolExecutor(4) as pool:
        waiting = [pool.submit(reader.ask, f"events?after={cursor}&wait=30") for _ in range(4)]
        time.sleep(0.5)
        began = time.monotonic()
        processes.started[-1].popen.terminate()
        assert {asked.result().status_code for asked in waiting} == {200}
        assert time.monotonic() - began < 20
