"""A server runs where it takes connections, not where the system still connects callers to one that was
killed, nor where it starts or stops."""

from __future__ import annotations

import shutil
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.database import cluster, programs
from api.database.account import account_for
from tests.api.database.conftest import make_folder

STOPPING = b"SFATAL\0C57P03\0Mthe database system is shutting down\0\0"
WRONG_NAME = b"SFATAL\0C3D000\0Mdatabase does not exist\0\0"


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    folder = make_folder()
    path = folder / ".s.PGSQL.5432"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        path.chmod(0o777)
        listener.listen()
        yield listener
    shutil.rmtree(folder)


def _asked(folder: Path) -> bool:
    account = account_for(folder / "no-cluster-yet")
    usable = programs.reachable(next(programs.candidates()), account)
    return cluster._answers(str(folder), usable, account)


def _answers(listener: socket.socket, error: bytes) -> bool:
    """Whether a program that sends this to a caller, or nothing, counts as a server that answers."""

    def serve() -> None:
        caller, _ = listener.accept()
        with caller:
            caller.recv(1000)
            if error:
                caller.sendall(b"E" + (len(error) + 4).to_bytes(4, "big") + error)

    server = threading.Thread(target=serve)
    server.start()
    try:
        return _asked(Path(listener.getsockname()).parent)
    finally:
        server.join()


def test_what_turns_a_caller_away_by_name_runs(listening: socket.socket) -> None:
    assert _answers(listening, WRONG_NAME)


def test_what_stops_does_not_run(listening: socket.socket) -> None:
    assert not _answers(listening, STOPPING)


def test_what_takes_a_caller_and_says_nothing_does_not_run(listening: socket.socket) -> None:
    assert not _answers(listening, b"")


def test_nobody_does_not_run(tmp_path: Path) -> None:
    assert not _asked(tmp_path)
