"""Processes of the service on the test's database, to be killed; and what is left in the database."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import connection

from tests.resilience.spoiling import spoiled
from zones.electrical.evaluate import evaluate
from zones.recheck import batch

ROOT = Path(__file__).resolve().parents[2]
LONG_S = 90.0


class Process:
    """A process in a session of its own: what it starts ends with it."""

    def __init__(self, arguments: list[str], environment: dict[str, str], log: Path) -> None:
        self.log = log
        with log.open("wb") as output:
            self.popen = subprocess.Popen(
                [sys.executable, "-m", *arguments],
                cwd=ROOT,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    @property
    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def ended(self, within_s: float = LONG_S) -> str:
        """Wait for a good end. Returns what it said."""
        assert self.popen.wait(within_s) == 0, self.said
        return self.said

    def kill(self) -> None:
        """SIGKILL to it and all that it started."""
        if self.popen.poll() is None:
            os.killpg(self.popen.pid, signal.SIGKILL)
        self.popen.wait(LONG_S)

    def until(self, true: Callable[[], Any]) -> None:
        """Wait until something is true, as long as this process lives."""
        deadline = time.monotonic() + LONG_S
        while not true():
            assert time.monotonic() < deadline, f"waited for {LONG_S} s\n{self.said}"
            try:
                self.popen.wait(0.02)
            except subprocess.TimeoutExpired:
                continue
            assert true(), f"ended with {self.popen.returncode}\n{self.said}"


class Processes:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.started: list[Process] = []
        self.announced = folder / "paused"
        self.environment = {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "tests.resilience.process_settings",
            "ZONEBOOK_TESTED_DATABASE": str(connection.settings_dict["NAME"]),
            "ZONEBOOK_TESTED_QUEUE": f"zonebook-test-{uuid.uuid4().hex}",
            "ZONEBOOK_TESTED_FILE": str(self.announced),
            "ZONEBOOK_DATA": str(settings.DATA_DIR),
        }
        self.environment.pop("CELERY_BROKER_URL", None)

    def start(self, *arguments: str, **environment: str) -> Process:
        log = self.folder / f"{len(self.started)}.log"
        process = Process(list(arguments), self.environment | environment, log)
        self.started.append(process)
        return process

    def start_and_pause(self, step: str, *arguments: str, **environment: str) -> Process:
        """A process that does one thing until ``step``."""
        process = self.start(*arguments, ZONEBOOK_TESTED_STEP=step, **environment)
        process.until(self.announced.exists)
        return process

    @property
    def paused_pid(self) -> int:
        return int(self.announced.read_text(encoding="ascii"))


@pytest.fixture
def processes(transactional_db: None, tmp_path: Path) -> Iterator[Processes]:
    running = Processes(tmp_path)
    yield running
    for process in running.started:
        process.kill()
    until_alone()


@pytest.fixture
def uncomputable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The sites whose ids are in this file cannot be computed, here and in processes given its path."""
    named = tmp_path / "uncomputable"
    named.write_text("", encoding="ascii")
    monkeypatch.setattr(batch, "evaluate", spoiled(evaluate, named))
    return named


def until_alone() -> None:
    """Wait until the server has noticed the end of every other connection."""
    query = """SELECT count(*) FROM pg_stat_activity
               WHERE datname = current_database() AND pid <> pg_backend_pid()
                 AND backend_type = 'client backend'"""
    deadline = time.monotonic() + LONG_S
    with connection.cursor() as cursor:
        while True:
            cursor.execute(query)
            if cursor.fetchone() == (0,):
                return
            assert time.monotonic() < deadline
            cursor.execute("SELECT pg_sleep(0.02)")
