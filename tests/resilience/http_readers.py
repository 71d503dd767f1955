"""Programs that read over HTTP what people look at before a visit, on and on."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any
from urllib.parse import quote

import httpx
import psycopg

from tests.resilience.http_writers import PAUSE_S, Writer

READERS = 4
POINTS_A_CHANGE = 3
LONG_S = 600.0


class Reader(threading.Thread):
    """Asks the service at ``url``; anything but an answer is amiss."""

    def __init__(self, number: int, url: str, headers: dict[str, str], over: threading.Event) -> None:
        super().__init__()
        self.number, self.url, self.over = number, url, over
        self.client = httpx.Client(headers=headers, timeout=60.0)
        self.rounds = 0
        self.answers: Counter[int] = Counter()
        self.amiss: list[Any] = []

    def run(self) -> None:
        with self.client:
            for path in self._paths():
                if self.over.is_set():
                    return
                self._ask(path)

    def _paths(self) -> Iterator[str]:
        """Site by site, those of this reader, and of each what a visit needs."""
        after = ""
        while not self.over.is_set():
            page = self._ask(f"/sites?page_size=20{after}")
            for site in page.get("items", [])[self.number :: READERS]:
                yield f"/search?q={quote(site['city'] or site['name'])}"
                yield f"/findings?site_id={site['id']}"
                for zone in self._ask(f"/zones?site_id={site['id']}").get("items", [])[:2]:
                    yield f"/zones/{zone['id']}/load"
                for closet in self._ask(f"/closets?site_id={site['id']}").get("items", [])[:2]:
                    yield f"/closets/{closet['id']}/sheet"
                for run in self._ask(f"/runs?site_id={site['id']}&page_size=2").get("items", []):
                    yield f"/points?run_id={run['id']}"
                self.rounds += 1
            after = f"&cursor={quote(page['next'])}" if page.get("next") else ""

    def _ask(self, path: str) -> dict[str, Any]:
        if self.over.wait(PAUSE_S):
            return {}
        try:
            answer = self.client.get(f"{self.url}/api/v1{path}")
        except httpx.TransportError as error:
            self.amiss.append((path, repr(error)))
            return {}
        self.answers[answer.status_code] += 1
        if answer.status_code != 200:
            self.amiss.append((path, answer.status_code, answer.text[:500]))
            return {}
        return dict(answer.json())


def wait_for_rounds(readers: Sequence[Reader], rounds: int, alive: Callable[[], bool] = lambda: True) -> None:
    """Wait until each has looked at so many more sites."""
    marks = [reader.rounds + rounds for reader in readers]
    waited = threading.Event()
    for _ in range(int(LONG_S / 0.05)):
        if all(reader.rounds >= mark for reader, mark in zip(readers, marks, strict=True)):
            return
        assert alive()
        assert not any(reader.amiss for reader in readers), [reader.amiss for reader in readers]
        waited.wait(0.05)
    raise AssertionError("the readers stopped reading")


class Extender(Writer):
    """Adds devices to runs, three a change set, and tries again when the answer says so."""

    def _add(self, site_id: int, reason: str) -> None:
        runs = self._sent("GET", f"/runs?site_id={site_id}&page_size=50").get("items", [])
        if not runs:
            return
        run = runs[len(self.accepted) % len(runs)]
        operations = [
            {"op": "point.append", "label": f"p{n}", "run_id": run["id"]}
            | ({"after_id": f"@p{n - 1}"} if n else {})
            for n in range(POINTS_A_CHANGE)
        ]
        reason = reason.replace("writer", "extender")
        drawn = {"site_id": site_id, "reason": reason, "operations": operations}
        draft = self._sent("POST", "/change-sets", drawn)
        if draft and self._sent("POST", f"/change-sets/{draft['id']}/accept", {}, draft["etag"]):
            self.accepted.add(reason)


def extended_whole(session: psycopg.Connection[Any], accepted: set[str]) -> None:
    """Every change that was answered as recorded is in the record, in full."""
    rows = session.execute(
        """SELECT s.reason, count(p.id) FROM change_set s LEFT JOIN point p ON p.change_set_id = s.id
           WHERE s.reason LIKE 'extender %' AND s.state = 'accepted' GROUP BY s.id"""
    ).fetchall()
    assert accepted <= {reason for reason, _ in rows}
    assert {count for _, count in rows} == {POINTS_A_CHANGE}
