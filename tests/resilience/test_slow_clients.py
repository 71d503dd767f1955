"""Clients that send slowly, or not at all, hold no thread of the web server."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from types import SimpleNamespace

import httpx
import pytest
import structlog
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


def request_id_of(answer: bytes) -> str:
    """The id of an answer, which is in its head and in its body."""
    head, _, body = answer.partition(b"\r\n\r\n")
    request_id: str = json.loads(body)["request_id"]
    assert f"\r\nX-Request-ID: {request_id}\r\n" in head.decode()
    return request_id


def assert_logged_once(process: Process, answer: bytes, status: int) -> None:
    request_id = request_id_of(answer)
    process.until(lambda: request_id in process.said)
    (line,) = [line for line in process.said.splitlines() if request_id in line]
    assert "request not begun" in line
    assert f" status={status}" in line
    assert " client=127.0.0.1" in line


def test_thirty_of_each_stop_nothing(server: tuple[Process, str, int], open_sockets: ExitStack) -> None:
    """Half a head, nothing, a word."""
    _process, url, port = server
    slow = [connect(port, open_sockets, sent) for sent in (HALF, b"", b"GET") for _ in range(30)]
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
    process, _url, port = server
    answer = received(connect(port, open_sockets, HALF))
    assert answer.startswith(b"HTTP/1.1 408 Request Timeout")
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["code"] == "request_timeout"
    assert_logged_once(process, answer, 408)


def test_a_head_without_end_is_refused(server: tuple[Process, str, int], open_sockets: ExitStack) -> None:
    process, url, port = server
    answer = received(connect(port, open_sockets, HALF + b"x" * 70_000))
    assert answer.startswith(b"HTTP/1.1 431 ")
    assert_logged_once(process, answer, 431)
    assert httpx.get(f"{url}/readyz", timeout=5).status_code == 200


def test_clients_that_do_not_close_stop_nothing(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    """gunicorn's own waits for each of them, two seconds in its main loop."""
    _process, url, port = server
    asked = b"GET /readyz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    clients = [connect(port, open_sockets, asked) for _ in range(30)]
    assert httpx.get(f"{url}/healthz", timeout=5).status_code == 200
    assert all(received(client).startswith(b"HTTP/1.1 200 OK") for client in clients)


def test_a_body_that_does_not_come_keeps_nobody_from_asking_for_health(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    """The thread of `/healthz` waits for none of them; gunicorn's threads do, five seconds each."""
    _process, url, port = server
    asked = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n%s: 100\r\n\r\n"
    for name in (b"Content-Length", b"content-length") * 3:
        connect(port, open_sockets, asked % name)
    assert httpx.get(f"{url}/healthz", timeout=5).status_code == 200


def test_who_sends_a_body_that_is_not_read_gets_the_answer(
    server: tuple[Process, str, int], open_sockets: ExitStack
) -> None:
    """More than sockets hold, so it is sent only if somebody reads it."""
    _process, _url, port = server
    body = b"x" * 20_000_000
    head = f"POST /api/v1/zones HTTP/1.1\r\nHost: localhost\r\nContent-Length: {len(body)}\r\n\r\n"
    client = connect(port, open_sockets, head.encode() + body)
    assert received(client).startswith(b"HTTP/1.1 413 ")


@pytest.mark.parametrize(
    ("sent", "status", "code"),
    [
        pytest.param(b"GET /calendars/KEY.ics HTTP/1.1 x", 400, "bad_request", id="first line"),
        pytest.param(b"GET /%s HTTP/1.1" % (b"KEY" * 3000), 431, "headers_too_large", id="long first line"),
        pytest.param(b"GET / HTTP/1.1\r\nHost: a\r\nHost: KEY", 400, "bad_request", id="Host twice"),
        pytest.param(
            b"POST / HTTP/1.1\r\nContent-Length: 1\r\nTransfer-Encoding: chunked",
            400, "bad_request", id="two lengths",
        ),
        pytest.param(b"GET / HTTP/1.1\r\nAuthorization KEY", 400, "bad_request", id="no colon"),
        pytest.param(b"GET / HTTP/1.1" + b"\r\na: KEY" * 65, 431, "headers_too_large", id="65 headers"),
        pytest.param(
            b"POST /log-in HTTP/1.1\r\nContent-Type: multipart/form-data; boundary=x"
            b"\r\nContent-Length: 4194305",
            413, "too_large", id="a byte more than 4 MiB of a form",
        ),
        pytest.param(
            b"POST / HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n2\r\n{}\r\n0",
            411, "length_required", id="chunks",
        ),
    ],
)  # fmt: skip
def test_what_is_no_request_is_answered_with_a_problem_and_not_logged_whole(
    server: tuple[Process, str, int], open_sockets: ExitStack, sent: bytes, status: int, code: str
) -> None:
    process, _url, port = server
    answer = received(connect(port, open_sockets, sent + b"\r\n\r\n"))
    assert answer.startswith(b"HTTP/1.1 %d " % status)
    assert json.loads(answer.partition(b"\r\n\r\n")[2])["code"] == code
    assert_logged_once(process, answer, status)
    assert "KEY" not in process.said


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


def test_a_client_that_takes_nothing_of_an_answer_frees_its_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    """The socket takes some of a large answer; then the thread waits for the client, and gives it up."""
    monkeypatch.setattr("api.server.worker.WRITE_S", 1)
    monkeypatch.setattr(ThreadWorker, "handle", lambda _worker, conn: conn.sock.sendall(b"x" * 16_000_000))
    worker = object.__new__(Worker)
    worker.cfg = Config()
    ours, client = socket.socketpair()
    with ours, client:
        conn = TConn(worker.cfg, ours, ("127.0.0.1", 1), ("127.0.0.1", 2))
        conn.head = bytearray(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        conn.queued_at = time.monotonic()
        with ThreadPoolExecutor() as pool:
            ended = pool.submit(worker.handle, conn)
            try:
                error = ended.exception(timeout=READ_S)
            finally:
                client.close()  # lets go of a thread that would wait for ever
    assert isinstance(error, TimeoutError | BlockingIOError)


def test_a_request_that_waited_too_long_for_a_thread_is_not_begun() -> None:
    """Its connection has no parser, so to begin it would fail."""
    ours, client = socket.socketpair()
    worker = SimpleNamespace(cfg=SimpleNamespace(is_ssl=False))
    with ours, client:
        waited = SimpleNamespace(
            sock=ours, queued_at=time.monotonic() - QUEUED_S - 1, client=("127.0.0.1", 1)
        )
        with structlog.testing.capture_logs() as logs:
            assert Worker.handle(worker, waited) is False  # type: ignore[arg-type]
        answer = client.recv(65536)
        head, _, body = answer.partition(b"\r\n\r\n")
    assert [(one["request_id"], one["status"]) for one in logs] == [(request_id_of(answer), 503)]
    assert head.startswith(b"HTTP/1.1 503 Service Unavailable\r\n")
    assert b"\r\nRetry-After: 5" in head
    assert json.loads(body)["code"] == "unavailable"
