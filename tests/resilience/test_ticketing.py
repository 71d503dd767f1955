"""README's program for a ticketing system, as it stands there, against a live server, while either is killed:
one ticket a case in the end, with the case's last words."""

from __future__ import annotations

import datetime as dt
import re
import threading
import time
from typing import Any
from urllib.error import URLError

import pytest
from django.conf import settings

from api.demo.processes import free_port
from api.events.publisher import publish
from sites.access.services import token_make
from sites.models import Basis, User
from tests import factories
from tests.halls import Hall, make_hall
from tests.resilience.conftest import Process, Processes
from tests.resilience.serving import is_ready
from zones.models import Case
from zones.recheck.sweep import sweep
from zones.services.points import point_remove

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

PROGRAM = r"""### Following events, one ticket a case\n.*?```python\n(.*?)```"""
ROUNDS = 2
ADDED = dt.date(2025, 6, 2)
LONG_S = 90


class Tickets:
    """A ticketing system, which keeps what it knows when the program that fills it stops."""

    def __init__(self) -> None:
        self.cursor = ""
        self.stopped = False
        self.opened: list[str] = []
        self.text: dict[str, str] = {}
        self.closed: dict[str, str] = {}

    def open_or_update(self, key: str, title: str, text: str, respond_by: str | None) -> str:
        if key not in self.text:
            self.opened.append(key)
        self.text[key] = f"{title}\n{text}\n{respond_by}"
        self.closed.pop(key, None)
        return f"T-{self.opened.index(key) + 1}"

    def close(self, key: str, text: str) -> None:
        self.closed[key] = text


def program() -> str:
    text = (settings.BASE_DIR / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(PROGRAM, text, re.DOTALL)
    return str(code)


def test_it_is_under_forty_lines() -> None:
    assert len(program().splitlines()) < 40


class Following:
    """The program, which a supervisor starts again whenever it fails."""

    def __init__(self, tickets: Tickets, url: str, token: str) -> None:
        self.tickets, self.url, self.token = tickets, url, token
        self.failed = 0
        names: dict[str, Any] = {}
        exec(compile(program(), "README.md", "exec"), names)
        self.follow = names["follow"]
        self.thread = threading.Thread(target=self._supervise)
        self.thread.start()

    def _supervise(self) -> None:
        while not self.tickets.stopped:
            try:
                self.follow(self.tickets, self.url, self.token)
            except (URLError, OSError):
                self.failed += 1
                time.sleep(0.05)

    def stop(self) -> None:
        self.tickets.stopped = True
        self.thread.join(LONG_S)
        assert not self.thread.is_alive()


@pytest.fixture
def hall() -> Hall:
    block = factories.make_block(factories.make_closet())
    hall = make_hall(block.closet, block)
    factories.make_coverage(factories.make_contract(hall.site.customer), hall.site)
    return hall


class Server:
    """A web server that is started again at the same address."""

    def __init__(self, processes: Processes) -> None:
        self.processes, self.port = processes, free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process = self.start()

    def start(self) -> Process:
        options = ["--bind", f"127.0.0.1:{self.port}", "--workers", "1"]
        started = self.processes.start("gunicorn", "--config", "python:api.server.config", *options)
        started.until(lambda: is_ready(self.url))
        return started

    def kill_and_start(self) -> None:
        self.process.kill()
        self.process = self.start()


def tell() -> None:
    """What changed is computed, and its events are published."""
    sweep()
    publish()


def until(true: Any) -> None:
    deadline = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_one_ticket_a_case_with_any_process_killed(hall: Hall, processes: Processes, manager: User) -> None:
    _token, secret = token_make(user=manager, scopes=["events:read", "record:read", "findings:write"])
    server, tickets = Server(processes), Tickets()
    following = Following(tickets, server.url, secret)
    for number in range(ROUNDS):
        day = ADDED + dt.timedelta(days=number)
        added = factories.make_points(
            hall.run, 3, hall.speaker, happened_on=day, length_m=1.0, current_basis=Basis.MEASURED
        )
        tell()
        server.kill_and_start()
        for point in added:
            point_remove(factories.change(hall.site, happened_on=day), point=point)
        tell()
    until(lambda: len(tickets.closed) == ROUNDS)
    following.stop()
    assert following.failed > 0, "no kill met the program"
    assert {case.key: case.ticket_reference for case in Case.objects.all()} == {
        key: f"T-{number}" for number, key in enumerate(tickets.opened, 1)
    }
    assert len(tickets.opened) == ROUNDS
    for key in tickets.opened:
        assert "3 wall speakers added" in tickets.text[key]
        assert "PS 1" in tickets.closed[key]
