"""Data folders of their own for embedded servers, and processes that use them."""

import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from api.database import cluster, embedded, location

ROOT = Path(__file__).resolve().parents[3]


class Probe:
    """A running tests/api/database/probe.py."""

    def __init__(self, data_dir: Path, *words: str, **options: Any) -> None:
        command = options.pop("command", [sys.executable, "-m", "tests.api.database.probe"])
        options = {"cwd": ROOT, **options}
        self.process = subprocess.Popen(
            [*command, str(data_dir), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **options,
        )

    def said(self) -> dict[str, Any]:
        """The next line it says."""
        assert self.process.stdout
        assert self.process.stderr
        line = self.process.stdout.readline()
        if not line:
            pytest.fail(self.process.stderr.read())
        return dict(json.loads(line))

    def ask(self, word: str = "look") -> dict[str, Any]:
        assert self.process.stdin
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()
        return self.said()

    def quit(self) -> None:
        """Let it end in its own way."""
        _, errors = self.process.communicate()
        assert self.process.returncode == 0, errors

    def kill(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        self.close()

    def close(self) -> None:
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe:
                pipe.close()


def make_folder() -> Path:
    """Unlike tmp_path, a folder that other accounts can pass through, as most folders of services are."""
    folder = Path(tempfile.mkdtemp(prefix="zb-"))
    folder.chmod(0o755)
    return folder


def wait_for_reaper(data_dir: Path) -> None:
    """Wait until the reaper of `data_dir`, if there is one, has stopped the server and gone."""
    if data_dir.is_dir():
        with embedded.reaper_lock(data_dir):
            pass


def remove_database(data_dir: Path) -> None:
    """Remove the database of `data_dir`, once its server has stopped, where it lies elsewhere."""
    wait_for_reaper(data_dir)
    pointer = data_dir / location.POINTER
    if pointer.is_file():
        shutil.rmtree(pointer.read_text().strip())


def is_running(data_dir: Path) -> bool:
    with embedded.start_lock(data_dir):
        return cluster.is_running(location.find(data_dir))


@pytest.fixture
def data_dir() -> Iterator[Path]:
    """A data folder, not made yet. Others may be made beside it."""
    folder = make_folder()
    yield folder / "data"
    for lock in folder.rglob("database-reaper.lock"):
        remove_database(lock.parent)
    shutil.rmtree(folder)


@pytest.fixture
def closed_home(data_dir: Path) -> Path:
    """A folder that its owner alone can enter, as home folders often are."""
    folder = data_dir.with_name("home")
    folder.mkdir()
    folder.chmod(0o700)
    return folder


@pytest.fixture
def probe(data_dir: Path) -> Iterator[Callable[..., Probe]]:
    """Start a process that uses the server of `data_dir`, or of another folder."""
    started: list[Probe] = []

    def start(*words: str, data_dir: Path = data_dir, **options: Any) -> Probe:
        started.append(Probe(data_dir, *words, **options))
        return started[-1]

    yield start
    for one in started:
        one.kill()


@pytest.fixture
def as_root() -> None:
    if os.geteuid() != 0:
        pytest.skip("only root runs PostgreSQL as someone else")
