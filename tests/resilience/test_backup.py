"""A dump that is taken under load, loaded into a new cluster, holds all that was accepted before it, and
nothing by halves."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.api.demo.conftest import ROOT, data_folder, demo, demo_data
from tests.resilience.http_writers import (
    all_recomputed,
    served,
    session_of,
    start_writers,
    what_came_of,
    whole_or_not_at_all,
)

__all__ = ["demo", "demo_data", "served"]  # fixtures

pytestmark = pytest.mark.slow

WARM_UP_S = 60.0
"""Until the first change is accepted, on a busy machine."""


def test_a_dump_under_load_is_whole(
    served: tuple[str, dict[str, str]], demo_data: Path, tmp_path: Path
) -> None:
    url, headers = served
    over = threading.Event()
    writers = start_writers(url, headers, over)
    deadline = time.monotonic() + WARM_UP_S
    while not (before := set().union(*(set(writer.accepted) for writer in writers))):
        assert time.monotonic() < deadline
        over.wait(0.1)
    _manage("database", "dump", str(tmp_path / "all.dump"), "--data", str(demo_data))
    over.set()
    _, accepted = what_came_of(writers)
    assert accepted > before, "no writer wrote while it was dumped"
    with data_folder() as restored:
        _manage("database", "load", str(tmp_path / "all.dump"), "--data", str(restored))
        _manage("sweep", "--data", str(restored))
        with session_of(restored) as session:
            whole_or_not_at_all(session, before)
            all_recomputed(session)
            nothing_points_nowhere(session)


def _manage(*words: str) -> None:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("DATABASE_")}
    environment.pop("DJANGO_SETTINGS_MODULE", None)
    program = [sys.executable, "manage.py", *words]
    done = subprocess.run(program, cwd=ROOT, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def nothing_points_nowhere(session: psycopg.Connection[Any]) -> None:
    """Every accepted change set has its step, every change its change set, every fact its thing."""
    for amiss in (
        "change_set s WHERE s.state = 'accepted' AND s.site_id IS NOT NULL AND s.step IS NULL",
        "change c LEFT JOIN change_set s ON s.id = c.change_set_id WHERE s.id IS NULL",
        "point_facts f LEFT JOIN point p ON p.id = f.point_id AND p.site_id = f.site_id WHERE p.id IS NULL",
        'finding f LEFT JOIN "case" c ON c.id = f.case_id WHERE c.id IS NULL',
        "figures f LEFT JOIN site s ON s.id = f.site_id WHERE s.id IS NULL",
    ):
        assert session.execute(f"SELECT count(*) FROM {amiss}").fetchone() == (0,), amiss
