"""Programs that write over HTTP to a service as it is deployed, a web server and a sweeper; and what must
hold of the database they have written to."""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from api.database import cluster, embedded
from api.demo.processes import free_port
from tests.api.demo.conftest import Demo

WRITERS = 4
CLOSETS_A_CHANGE = 3
GOES_ON_WITHIN_S = 60.0
PAUSE_S = 0.1
"""Between what one asks: people do not keep a machine busy, and a migration beside them comes to its end."""


@pytest.fixture
def served(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> tuple[str, dict[str, str]]:
    """Where the demo answers, and what a program sends along."""
    monkeypatch.setenv("ZONEBOOK_REQUESTS_PER_MINUTE", "1000000")
    process = demo("--json", "--port", str(free_port()))
    assert process.stdout is not None
    login = json.loads(process.stdout.readline())
    return f"{login['url']}/api/v1", {"Authorization": f"Bearer {login['token']}"}


def start_writers(url: str, headers: dict[str, str], over: threading.Event) -> list[Writer]:
    writers = [Writer(number, url, headers, over) for number in range(WRITERS)]
    for writer in writers:
        writer.start()
    return writers


def what_came_of(writers: Sequence[Writer]) -> tuple[Counter[int], set[str]]:
    """Wait for their end. How often each status was answered, and the reasons of what was accepted."""
    for writer in writers:
        writer.join()
    answers = sum((writer.answers for writer in writers), Counter[int]())
    print(f"answers: {dict(answers)}")
    amiss = [writer.amiss for writer in writers if writer.amiss]
    assert not amiss, amiss
    return answers, set().union(*(writer.accepted for writer in writers))


class Writer(threading.Thread):
    """Adds closets, three a change set, and tries again when the answer says so."""

    def __init__(self, number: int, url: str, headers: dict[str, str], over: threading.Event) -> None:
        super().__init__()
        self.number, self.over = number, over
        self.client = httpx.Client(base_url=url, headers=headers, timeout=60.0)
        self.answers: Counter[int] = Counter()
        self.accepted: set[str] = set()
        self.amiss: list[Any] = []

    def run(self) -> None:
        with self.client:
            sites: list[dict[str, Any]] = []
            count = 0
            while not self.over.is_set() and not self.amiss:
                sites = sites or self._sent("GET", "/sites").get("items", [])
                if sites:
                    self._add(sites[self.number]["id"], f"writer {self.number}-{count}")
                    count += 1
                    self.over.wait(PAUSE_S)

    def _add(self, site_id: int, reason: str) -> None:
        operations = [{"op": "closet.add", "name": f"{reason} {place}"} for place in range(CLOSETS_A_CHANGE)]
        drawn = {"site_id": site_id, "reason": reason, "operations": operations}
        draft = self._sent("POST", "/change-sets", drawn)
        if draft and self._sent("POST", f"/change-sets/{draft['id']}/accept", {}, draft["etag"]):
            self.accepted.add(reason)

    def _sent(self, method: str, path: str, body: Any = None, etag: str | None = None) -> dict[str, Any]:
        """The answer; nothing where the database was away."""
        headers = {"If-Match": etag} if etag else {}
        answer = self.client.request(method, path, json=body, headers=headers)
        self.answers[answer.status_code] += 1
        if answer.status_code == 503:
            if (
                answer.json()["code"] not in ("unavailable", "outcome_unknown")
                or int(answer.headers["Retry-After"]) < 1
            ):
                self.amiss.append((path, answer.text, dict(answer.headers)))
            self.over.wait(0.1)
            return {}
        if answer.status_code not in (200, 201):
            self.amiss.append((path, answer.status_code, answer.text))
            return {}
        return {**answer.json(), "etag": answer.headers.get("ETag")}


@contextmanager
def session_of(data_dir: Path) -> Iterator[psycopg.Connection[Any]]:
    """A session with the embedded server of a data folder, which runs as long as this lasts."""
    host = embedded.join(data_dir)
    try:
        with psycopg.connect(
            host=host, dbname=cluster.DATABASE, user=cluster.OWNER, autocommit=True
        ) as session:
            yield session
    finally:
        embedded.leave(data_dir)


def whole_or_not_at_all(session: psycopg.Connection[Any], accepted: set[str]) -> None:
    """Every change that was answered as recorded is in the record, and none is there in part."""
    rows = session.execute(
        """SELECT s.reason, s.state, count(c.id)
           FROM change_set s LEFT JOIN closet c ON c.change_set_id = s.id
           WHERE s.reason LIKE 'writer %' GROUP BY s.id"""
    ).fetchall()
    closets = Counter[str]()
    for reason, state, count in rows:
        assert count == (CLOSETS_A_CHANGE if state == "accepted" else 0), (reason, state, count)
        closets[reason] += state == "accepted"
    assert accepted <= {reason for reason, times in closets.items() if times == 1}
    assert set(closets.values()) <= {0, 1}


def all_recomputed(session: psycopg.Connection[Any]) -> None:
    """The sweeper found its way back to the database by itself."""
    waited = threading.Event()
    for _ in range(int(GOES_ON_WITHIN_S / 0.2)):
        if session.execute("SELECT count(*) FROM mark").fetchone() == (0,):
            break
        waited.wait(0.2)
    else:
        pytest.fail("marks are left")
    failed = session.execute("SELECT site_id, last_error FROM site_check WHERE failures > 0").fetchall()
    assert failed == []
