"""The demo as a process, with an embedded database in its own folder."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.api.database.conftest import make_folder, remove_database

ROOT = Path(__file__).resolve().parents[3]
# The demo uses its own database and broker, not those of the tests
NOT_ITS_OWN = (
    "DATABASE_URL",
    "DATABASE_OWNER_URL",
    "CELERY_BROKER_URL",
    "DJANGO_SETTINGS_MODULE",
    "ZONEBOOK_DATA",
)
STOP_S = 60.0

Demo = Callable[..., "subprocess.Popen[str]"]


@contextmanager
def data_folder() -> Iterator[Path]:
    """A data folder, removed at the end together with its embedded database."""
    folder = make_folder()
    data = folder / "data"
    try:
        yield data
    finally:
        remove_database(data)
        shutil.rmtree(folder)


@pytest.fixture(scope="module")
def demo_data() -> Iterator[Path]:
    """One data folder for all demos of a module; the first of them fills it."""
    with data_folder() as data:
        yield data


@pytest.fixture
def demo(demo_data: Path) -> Iterator[Demo]:
    """Start ``manage.py demo`` with some arguments; processes that still run in the end are stopped as Ctrl-C
    would."""
    started: list[subprocess.Popen[str]] = []

    def start(*words: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "manage.py", "demo", "--data", str(demo_data), *words],
            cwd=ROOT,
            env={name: value for name, value in os.environ.items() if name not in NOT_ITS_OWN},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=_hear_ctrl_c,
        )
        started.append(process)
        return process

    yield start
    for process in started:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        print(process.communicate(timeout=STOP_S)[1], file=sys.stderr)  # shown where the test failed


def _hear_ctrl_c() -> None:
    """Restore SIGINT, which a test run in the background of a script ignores."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def processes_of(data: Path) -> dict[int, str]:
    """Processes with this data folder in their arguments or environment: id and command."""
    found = {}
    word = str(data).encode()
    for entry in Path("/proc").glob("[0-9]*"):
        try:
            command = (entry / "cmdline").read_bytes()
            stated = word in command or word in (entry / "environ").read_bytes()
        except OSError:  # ended meanwhile, or another user's
            continue
        if stated and command:
            found[int(entry.name)] = command.replace(b"\0", b" ").decode(errors="replace")
    return found
