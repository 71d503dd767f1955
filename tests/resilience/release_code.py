"""The code of a release, and the present one, on one data folder: its commands, its services."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from api.demo.processes import free_port
from tests.api.demo.conftest import NOT_ITS_OWN

START_S, STOP_S = 120.0, 60.0
LONG_S = 1800.0


class Code:
    def __init__(self, folder: Path, data: Path, logs: Path) -> None:
        self.folder, self.logs = folder, logs
        self.environment = {
            name: value for name, value in os.environ.items() if name not in (*NOT_ITS_OWN, "PYTHONPATH")
        } | {
            "ZONEBOOK_DATA": str(data),
            "ZONEBOOK_LOG_LEVEL": "WARNING",
            "ZONEBOOK_REQUESTS_PER_MINUTE": "1000000",
        }

    def manage(self, *words: str) -> str:
        """What a command says on standard output."""
        done = subprocess.run(
            [sys.executable, "manage.py", *words],
            cwd=self.folder, env=self.environment, capture_output=True, text=True, timeout=LONG_S,
        )  # fmt: skip
        assert done.returncode == 0, f"{words}\n{done.stdout[-2000:]}{done.stderr[-4000:]}"
        return done.stdout

    def start(self, *words: str) -> Started:
        number = len(list(self.logs.glob("*.log")))
        return Started([sys.executable, *words], self.folder, self.environment, self.logs / f"{number}.log")

    @contextmanager
    def serving(self, *, sweeping: bool = True) -> Iterator[str]:
        """The address of a web server that answers; beside it, unless told otherwise, a sweeper looks for
        work."""
        port = free_port()
        web = self.start(
            "-m", "gunicorn", "api.wsgi", "--bind", f"127.0.0.1:{port}", "--workers", "2", "--threads", "4",
            "--log-level", "warning", "--no-control-socket",
        )  # fmt: skip
        sweeper = self.start("manage.py", "sweep", "--loop") if sweeping else None
        try:
            web.until(lambda: _answers(f"http://127.0.0.1:{port}/readyz"))
            yield f"http://127.0.0.1:{port}"
            assert sweeper is None or sweeper.process.poll() is None, sweeper.said
        finally:
            web.stop()
            if sweeper is not None:
                sweeper.stop()


def _answers(url: str) -> bool:
    try:
        return httpx.get(url, timeout=30).status_code == 200
    except httpx.TransportError:
        return False


class Started:
    def __init__(self, command: list[str], folder: Path, environment: dict[str, str], log: Path) -> None:
        self.log = log
        with log.open("wb") as output:
            self.process = subprocess.Popen(
                command, cwd=folder, env=environment, stdin=subprocess.DEVNULL, stdout=output,
                stderr=subprocess.STDOUT, start_new_session=True,
            )  # fmt: skip

    @property
    def said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def until(self, true: Callable[[], bool]) -> None:
        """Wait until something is true, as long as this process lives."""
        waited = threading.Event()
        for _ in range(int(START_S / 0.05)):
            if true():
                return
            assert self.process.poll() is None, f"ended with {self.process.returncode}\n{self.said}"
            waited.wait(0.05)
        raise AssertionError(f"waited for {START_S} s\n{self.said}")

    def ended(self) -> str:
        """Wait for a good end; what it said."""
        try:
            assert self.process.wait(LONG_S) == 0, self.said
        finally:
            self.stop()
        return self.said

    def stop(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                os.killpg(self.process.pid, signal.SIGKILL)
                self.process.wait()
