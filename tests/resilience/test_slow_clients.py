"""Clients that send slowly, or not at all, hold no thread of the web server."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from types import SimpleNamespace

import httpx
import pytest
from gunicorn.config import Config
from gunicorn.workers.gthread import TConn, ThreadWorker

from api.server.worker import QUEUED_S, READ_S, Worker
from sites.access.services import token_make
from sites.models import User
from tests.resilience.conftest import Process, Processes
from tests.resilience.serving import start_server

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

LONG_S = 30
HALF = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-Half: "


@pytest.fixture
def server(processes: Processes) -> tuple[Process, str, int]:
    process, url = start_server(processes)
    return process, url, int(url.rpartition(":")[2])


@pytest.fixture
def open_sockets() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def connect(port: int, stack: ExitStack, sent: bytes) -> socket.socket:
    client = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=LONG_S))
    client.sendall(sent)
    return client


def received(client: socket.socket) -> bytes:
    """All that comes until the server closes the connection."""
    parts = []
    while part := client.recv(65536):
        parts.append(part)
    return b"".join(parts)


@pytest.mark.parametrize("sent", [HALF, b"", b"GET"], ids=["half a head", "nothing", "a word"])
def test_thirty_of_them_stop_nothing(
    sent: bytes, server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    _process, url, port = server
    slow = [connect(port, open_sockets, sent) for _ in range(30)]
    assert httpx.get(f"{url}/readyz", timeout=5).status_code == 200
    assert httpx.get(f"{url}/healthz", timeout=5).status_code == 200
    for client in slow:
        client.setblocking(False)
        with pytest.raises(BlockingIOError):  # none was sent away meanwhile
            client.recv(1)


def test_half_a_head_that_is_completed_is_answered(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    _process, _url, port = server
    client = connect(port, open_sockets, HALF)
    client.sendall(b"it\r\nConnection: close\r\n\r\n")
    assert received(client).startswith(b"HTTP/1.1 200 OK")


def test_a_head_that_does_not_come_in_time_is_told_so(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    _process, _url, port = server
    answer = received(connect(port, open_sockets, HALF))
    assert answer.startswith(b"HTTP/1.1 408 Request Timeout")
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["code"] == "request_timeout"


def test_a_head_without_end_is_refused(server: tuple[Process, str, int], open_sockets: ExitStack) -> None:
    _process, url, port = server
    answer = received(connect(port, open_sockets, HALF + b"x" * 70_000))
    assert answer.startswith(b"HTTP/1.1 431 ")
    assert httpx.get(f"{url}/readyz", timeout=5).status_code == 200


def test_several_requests_on_one_connection_are_answered_in_turn(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    """Sent at once, so that the second lies behind the first; then one in parts, on the kept connection."""
    _process, _url, port = server
    whole = b"GET /readyz HTTP/1.1\r\nHost: localhost\r\n\r\n"
    client = connect(port, open_sockets, whole + whole)
    got = b""
    while got.count(b'{"status": "ready"}') < 2:
        got += client.recv(65536)
    client.sendall(HALF)
    client.sendall(b"it\r\nConnection: close\r\n\r\n")
    assert received(client).count(b'{"status": "alive"}') == 1


def test_a_body_that_does_not_come_frees_its_thread(
    server: tuple[Process, str, int], open_sockets: ExitStack, manager: User
) -> None:
    """As many as there are threads; each is given up after five seconds, and the next request is answered."""
    _process, url, port = server
    _token, secret = token_make(user=manager, scopes=["record:read"])
    head = f"POST /api/v1/calculations/run HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {secret}\r\n"
    sent = f"{head}Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{{".encode()
    slow = [connect(port, open_sockets, sent) for _ in range(4)]
    assert httpx.get(f"{url}/readyz", timeout=LONG_S).status_code == 200
    answer = received(slow[0])
    assert answer.startswith(b"HTTP/1.1 408 ")
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["code"] == "request_timeout"


@pytest.mark.parametrize(("limit_s", "sent"), [(0.05, b"{"), (0.0, b"{" * 100)], ids=["a part", "too late"])
def test_a_body_must_come_whole_within_its_limit(
    limit_s: float, sent: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not only each part of it: one that stops is given up before `READ_S`, and one that goes on as well."""
    monkeypatch.setattr("api.server.worker.BODY_S", limit_s)
    monkeypatch.setattr(ThreadWorker, "handle", lambda _worker, conn: next(conn.parser).body.read())
    worker = object.__new__(Worker)
    worker.cfg = Config()
    ours, client = socket.socketpair()
    with ours, client:
        conn = TConn(worker.cfg, ours, ("127.0.0.1", 1), ("127.0.0.1", 2))
        conn.head = bytearray(b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 100\r\n\r\n")
        conn.queued_at = begun = time.monotonic()
        client.sendall(sent)
        with pytest.raises((TimeoutError, BlockingIOError)):
            worker.handle(conn)
    assert time.monotonic() - begun < READ_S


def test_a_request_that_waited_too_long_for_a_thread_is_not_begun() -> None:
    """Its connection has no parser, so to begin it would fail."""
    ours, client = socket.socketpair()
    worker = SimpleNamespace(cfg=SimpleNamespace(is_ssl=False))
    with ours, client:
        waited = SimpleNamespace(sock=ours, queued_at=time.monotonic() - QUEUED_S - 1)
        assert Worker.handle(worker, waited) is False  # type: ignore[arg-type]
        head, _, body = client.recv(65536).partition(b"\r\n\r\n")
    assert head.startswith(b"HTTP/1.1 503 Service Unavailable\r\n")
    assert b"\r\nRetry-After: 5" in head
    assert json.loads(body)["code"] == "unavailable"
