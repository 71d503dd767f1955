"""The database is restarted under load: writers are asked to try again, nothing is half written, and
the service goes on without a hand. As deployed: a web server and a sweeper, over HTTP."""

from __future__ import annotations

import os
import signal
import threading
from pathlib import Path

import pytest

from api.database import cluster, location
from tests.api.demo.conftest import demo, demo_data
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

HOW = (signal.SIGINT, signal.SIGQUIT, signal.SIGINT, signal.SIGQUIT, signal.SIGINT)
"""Signals to PostgreSQL: SIGINT ends all sessions and stops; SIGQUIT drops everything, as a crash does."""
PAUSE_S = 2.0


def test_nothing_is_half_written_and_it_goes_on(served: tuple[str, dict[str, str]], demo_data: Path) -> None:
    url, headers = served
    database = location.find(demo_data)
    over = threading.Event()
    writers = start_writers(url, headers, over)
    for how in HOW:
        over.wait(PAUSE_S)
        os.kill(_postmaster(database), how)  # the next user of the server brings it back
    over.wait(PAUSE_S)
    over.set()
    answers, accepted = what_came_of(writers)
    assert answers[503] > 0, "no request met the restart"
    assert len(accepted) > len(HOW)
    with session_of(demo_data) as session:
        whole_or_not_at_all(session, accepted)
        all_recomputed(session)


def _postmaster(database: location.Location) -> int:
    cluster.ensure_running(database)
    return int((database.cluster / "postmaster.pid").read_text().splitlines()[0])
