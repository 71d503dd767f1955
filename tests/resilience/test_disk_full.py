"""A disk that is full: writes are answered with a 503 and leave nothing by halves; with space they go on.

PostgreSQL and its data lie on a small disk in memory, which only root can mount."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import pytest

from api.demo.processes import free_port
from tests.api.database.conftest import make_folder, remove_database
from tests.api.demo.conftest import NOT_ITS_OWN, ROOT
from tests.resilience.conftest import LONG_S, Process
from tests.resilience.http_writers import Writer, session_of, what_came_of, whole_or_not_at_all
from tests.resilience.serving import is_ready
from tests.resilience.test_backup import nothing_points_nowhere

pytestmark = pytest.mark.slow

DISK = "256m"
WHY = {"reason": "taken under contract"}


@pytest.fixture
def disk(pytestconfig: pytest.Config) -> Iterator[Path]:
    """A small disk of its own, not filled yet."""
    if not pytestconfig.getoption("--long"):
        pytest.skip("takes half a minute: with --long")
    folder = make_folder()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK},mode=755", "tmpfs", str(folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    if mounted.returncode != 0:
        folder.rmdir()
        pytest.skip(f"no tmpfs can be mounted here: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        remove_database(folder / "data")
        subprocess.run(["umount", "--lazy", str(folder)], check=True)
        folder.rmdir()


@pytest.fixture
def environment(disk: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if name not in NOT_ITS_OWN}
    return {**kept, "ZONEBOOK_DATA": str(disk / "data"), "ZONEBOOK_REQUESTS_PER_MINUTE": "1000000"}


@pytest.fixture
def served(environment: dict[str, str], tmp_path: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """A web server on that disk, with one site; where it answers, and what a program sends along."""

    def manage(*words: str) -> str:
        program = [sys.executable, "manage.py", *words]
        done = subprocess.run(program, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    manage("migrate", "--verbosity", "0")
    password = tmp_path / "password"
    password.write_text("three-quiet-horns\n", encoding="ascii")
    password.chmod(0o600)
    ines = ("--name", "Ines Marlow", "--role", "manager", "--all-customers")
    manage("person", "add", "ines", *ines, "--password-file", str(password))
    token = manage(
        "token", "ines", "--scope", "record:read", "--scope", "record:write", "--scope", "admin"
    ).strip()
    headers = {"Authorization": f"Bearer {token}"}
    url = f"http://127.0.0.1:{free_port()}"
    server = Process(
        ["gunicorn", "--config", "python:api.server.config", "--bind", url.removeprefix("http://")],
        environment,
        tmp_path / "server.log",
    )
    try:
        server.until(lambda: is_ready(url))
        with httpx.Client(base_url=f"{url}/api/v1", headers=headers, timeout=LONG_S) as client:
            line = {"code": "kelp-line", "name": "Kelp Line", "change": WHY}
            customer = client.post("/customers", json=line).raise_for_status().json()
            pier = {"customer_id": customer["id"], "code": "pier", "name": "Pier", "change": WHY}
            client.post("/sites", json=pier).raise_for_status()
        yield f"{url}/api/v1", headers
    finally:
        server.kill()


def test_writes_wait_for_space_and_none_is_left_by_halves(
    disk: Path, served: tuple[str, dict[str, str]]
) -> None:
    over = threading.Event()
    writer = Writer(0, *served, over)
    writer.start()
    try:
        until(lambda: len(writer.accepted) >= 3)
        filling = disk / "filling"
        fill(filling)
        until(lambda: writer.answers[503] >= 3)
        kept = set(writer.accepted)
        filling.unlink()
        until(lambda: len(writer.accepted) >= len(kept) + 3)
    finally:
        over.set()
    _, accepted = what_came_of([writer])
    assert kept < accepted
    with session_of(disk / "data") as session:
        whole_or_not_at_all(session, accepted)
        nothing_points_nowhere(session)


def fill(file: Path) -> None:
    """Write until there is no space left."""
    with file.open("wb", buffering=0) as full:
        part = b"x" * 65536
        while part:
            try:
                full.write(part)
            except OSError:
                part = part[: len(part) // 2]


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + LONG_S
    while not true():
        assert time.monotonic() < deadline, f"waited for {LONG_S} s"
        time.sleep(0.05)
