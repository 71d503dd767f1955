"""A server runs where it answers, not where the system still connects callers to one that was killed."""

from __future__ import annotations

import os
import socket
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.database import cluster

pytestmark = pytest.mark.skipif(not cluster.HAS_UNIX_SOCKETS, reason="no unix sockets on this system")


@pytest.fixture
def listening() -> Iterator[socket.socket]:
    with tempfile.TemporaryDirectory() as folder, socket.socket(socket.AF_UNIX) as listener:
        listener.bind(os.fspath(Path(folder) / ".s.PGSQL.5432"))
        listener.listen()
        yield listener


def _asked(listener: socket.socket, answer: bytes) -> bool:
    def serve() -> None:
        caller, _ = listener.accept()
        with caller:
            assert len(caller.recv(8)) == 8
            caller.sendall(answer)

    server = threading.Thread(target=serve)
    server.start()
    try:
        return cluster._answers(str(Path(listener.getsockname()).parent), 5432)
    finally:
        server.join()


def test_whoever_says_if_it_encrypts_runs(listening: socket.socket) -> None:
    assert _asked(listening, b"N")


def test_whoever_takes_a_caller_and_says_nothing_does_not_run(listening: socket.socket) -> None:
    assert not _asked(listening, b"")
