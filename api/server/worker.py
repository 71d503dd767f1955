"""The worker of the web server: gunicorn's threads, and a main loop that copes with slow clients.

gunicorn's own gives a new connection to a thread, which then waits for the client: a few connections that
send half a head stop a worker for as long as they like. Here the main loop gathers the head of each request,
and a thread gets it when it is whole. A client that does not send it in time is told so.

It does not wait for a client to take an answer and close, either: gunicorn's own does, two seconds for each.

`/healthz` has a thread of its own, so it is answered while all others wait.

A request that waits for events (`api.events.waiting`) holds no thread: its connection goes back to the main
loop, and the same request is sent in again when something was published, or its time is over.
"""

from __future__ import annotations

import contextlib
import json
import re
import socket
import struct
import threading
import time
import uuid
from collections.abc import Callable, Iterable
from concurrent import futures
from functools import partial
from selectors import EVENT_READ
from typing import Any, Final, NamedTuple

import structlog
from gunicorn.http import errors
from gunicorn.http.unreader import SocketUnreader
from gunicorn.workers.gthread import TConn, ThreadWorker

from api.conventions.problems import (
    BAD_REQUEST,
    CONTENT_TYPE,
    HEADERS_TOO_LARGE,
    INTERNAL,
    LARGEST_BODY_BYTES,
    LENGTH_REQUIRED,
    REQUEST_TIMEOUT,
    TOO_LARGE,
    UNAVAILABLE,
    Kind,
)
from api.conventions.request_id import HEADER
from api.events.waiting import ENVIRON, LOOK_EVERY_S, Waiting

from .times import THREAD_WAIT, times

HEAD_S: Final = 10
"""In which a client must have sent the head of its request."""
READ_S, WRITE_S = 5, 30
"""How long a thread waits for a client to send the next part of a body, and to take the next of an answer."""
BODY_S: Final = 30.0
"""Time limit for a whole body, in any number of parts."""
LINGER_S: Final = 2.0
"""How long a connection that ends is read, so that the client gets all of its answer."""
QUEUED_S: Final = 10.0
"""A request that waited longer for a thread is not begun: its client may be gone, and others wait."""
LARGEST_HEAD: Final = 64 * 1024
_AT_ONCE: Final = 64 * 1024
_HEALTH: Final = (b"GET /healthz ", b"HEAD /healthz ")
_ANNOUNCES_BODY: Final = re.compile(rb"\r\n(content-length|transfer-encoding)[ \t]*:", re.IGNORECASE)
_EVENTS: Final = "/api/v1/events"
_WITHOUT_BODY: Final = ("GET", "HEAD", "OPTIONS", "TRACE")


class _Answer(NamedTuple):
    """A problem that is answered before the application gets the request."""

    reason: str
    kind: Kind
    detail: str
    headers: tuple[str, ...] = ()

    def send(self, client: Any, send: Callable[[bytes], Any]) -> None:
        """Answer, with an id of its own, and log it: no other line says what became of the request. client:
        its address and port, if it has any."""
        request_id = str(uuid.uuid4())
        with contextlib.suppress(OSError):
            send(self._rendered(request_id))
        structlog.get_logger(__name__).warning(
            "request not begun",
            request_id=request_id,
            status=self.kind.status,
            code=self.kind.code,
            client=client[0] if isinstance(client, tuple) else None,
        )

    def _rendered(self, request_id: str) -> bytes:
        body = json.dumps(
            {
                "type": self.kind.type,
                "title": self.kind.title,
                "status": self.kind.status,
                "detail": self.detail,
                "code": self.kind.code,
                "request_id": request_id,
                "errors": [],
                "more_errors": 0,
            }
        )
        lines = (
            f"HTTP/1.1 {self.kind.status} {self.reason}",
            f"Content-Type: {CONTENT_TYPE}",
            f"Content-Length: {len(body)}",
            f"{HEADER}: {request_id}",
            "Connection: close",
            *self.headers,
        )
        return "\r\n".join((*lines, "", body)).encode()


_TOO_SLOW: Final = _Answer(
    "Request Timeout", REQUEST_TIMEOUT, f"The head of the request did not come within {HEAD_S} s."
)
_TOO_LARGE: Final = _Answer(
    "Request Header Fields Too Large",
    HEADERS_TOO_LARGE,
    f"The head of the request has more than {LARGEST_HEAD // 1024} KiB.",
)
_TOO_BUSY: Final = _Answer(
    "Service Unavailable",
    UNAVAILABLE,
    "Too many requests wait; nothing was written. Send the same request again.",
    ("Retry-After: 5",),
)


_NO_LENGTH: Final = _Answer(
    "Length Required",
    LENGTH_REQUIRED,
    "The body came in chunks, and its length is not known before its end: nothing was read.",
)
_LARGE_BODY: Final = _Answer(
    "Content Too Large", TOO_LARGE, f"The body is larger than {LARGEST_BODY_BYTES // 1024 // 1024} MiB."
)
_UNREADABLE: Final = _Answer(
    "Bad Request",
    BAD_REQUEST,
    "This is not a request of HTTP/1.1: a header, or the length of the body, is malformed, stands twice, or "
    "contradicts another.",
)
_FIRST_LINE: Final = _Answer(
    "Bad Request", BAD_REQUEST, "The first line of a request must read: METHOD ADDRESS HTTP/1.1."
)
_OURS: Final = _Answer("Internal Server Error", INTERNAL, "Something went wrong on our side.")
_UNREADABLES: Final[list[tuple[tuple[type[Exception], ...], _Answer]]] = [
    ((errors.InvalidResponseHeader, errors.InvalidResponseHeaderName), _OURS),
    ((errors.InvalidRequestLine, errors.InvalidRequestMethod, errors.InvalidHTTPVersion), _FIRST_LINE),
    (
        (errors.LimitRequestLine,),
        _TOO_LARGE._replace(detail="The first line of the request, with its query, is too long."),
    ),
    (
        (errors.LimitRequestHeaders,),
        _TOO_LARGE._replace(detail="A header is too long, or there are too many."),
    ),
    ((errors.ParseException,), _UNREADABLE),
]


def _received(client: socket.socket, most: int, *flags: int) -> bytes | None:
    """What a client sent, without waiting; empty: it is gone; None: nothing yet."""
    try:
        return client.recv(most, *flags)
    except BlockingIOError:
        return None
    except OSError:
        return b""


class _WaitsError(Exception):
    """The request is to wait; nothing of an answer was sent."""


class Worker(ThreadWorker):
    """1. Accept a connection, and read what there is of the head, in the main loop (`enqueue_req`).
    2. When it is whole, give the connection to a thread (`_submit`, `handle`).
    3. A kept connection comes back, and its next request begins at 1.
    4. One whose request waits comes back too (`_park`), and that request goes to a thread again (`_send_in`).
    5. One that ends is read until its client closes it (`_linger`).
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.gathering: set[Any] = set()
        self.parked: set[Any] = set()
        self.lingering: set[Any] = set()
        self.here = threading.local()
        self.watcher: threading.Thread | None = None

    def init_process(self) -> None:
        self.health_pool = futures.ThreadPoolExecutor(max_workers=1)
        super().init_process()

    def load_wsgi(self) -> None:
        super().load_wsgi()
        self.wsgi: Any = partial(_answer_or_wait, self.wsgi, self.here)

    def enqueue_req(self, conn: TConn) -> None:
        conn.waiting = Waiting()
        if self.cfg.is_ssl:  # its head cannot be read before a thread has decrypted it
            super().enqueue_req(conn)
            return
        conn.head = bytearray(conn.parser.unreader.take_buffered() if conn.parser else b"")
        conn.head_by = time.monotonic() + HEAD_S
        conn.sock.setblocking(False)
        self.gathering.add(conn)
        self.poller.register(conn.sock, EVENT_READ, partial(self.on_head_readable, conn))
        self.on_head_readable(conn, conn.sock)

    def on_head_readable(self, conn: TConn, client: socket.socket) -> None:
        """Read what the client has sent; submit the request when its head is whole."""
        whole = _is_whole(conn.head)
        if not whole:
            try:
                received = client.recv(_AT_ONCE)
            except BlockingIOError:
                return
            except OSError:
                received = b""
            if not received:
                self._drop(conn)
                return
            conn.head += received
            whole = _is_whole(conn.head, len(conn.head) - len(received))
        if whole:
            self._forget(conn)
            self._submit(conn)
        elif len(conn.head) > LARGEST_HEAD:
            self._drop(conn, _TOO_LARGE)

    def _submit(self, conn: TConn) -> None:
        conn.queued_at = time.monotonic()
        # What announces a body may make its thread wait for it
        asks_health = conn.head.startswith(_HEALTH) and not _ANNOUNCES_BODY.search(conn.head)
        pool = self.health_pool if asks_health else self.tpool
        future = pool.submit(self.handle, conn)
        future.add_done_callback(lambda done: self.method_queue.defer(self.finish_request, conn, done))

    def handle(self, conn: TConn) -> Any:
        if self.cfg.is_ssl:
            return super().handle(conn)
        for option, seconds in ((socket.SO_RCVTIMEO, READ_S), (socket.SO_SNDTIMEO, WRITE_S)):
            conn.sock.setsockopt(socket.SOL_SOCKET, option, struct.pack("ll", seconds, 0))
        waited_s = time.monotonic() - conn.queued_at
        times.add(THREAD_WAIT, waited_s)
        if waited_s > QUEUED_S:
            conn.sock.setblocking(True)
            _TOO_BUSY.send(conn.client, conn.sock.sendall)
            return False
        conn.data_ready = True
        conn.init()
        _limit_reading(conn.parser.unreader, time.monotonic() + BODY_S)
        conn.parser.unreader.unread(bytes(conn.head))
        return super().handle(conn)

    def handle_error(self, _req: Any, client: socket.socket, addr: Any, exc: Exception) -> None:
        """Answer what cannot be read with a problem. gunicorn's own is a page, or nothing where a length
        stands twice, and its log line has the whole address or header, which may hold a token."""
        answer = next((answer for kinds, answer in _UNREADABLES if isinstance(exc, kinds)), _OURS)
        if answer is _OURS:
            structlog.get_logger(__name__).exception("request not answered")
        answer.send(addr, client.sendall)

    # Connections that end

    def _linger(self, conn: TConn) -> None:
        """Read on, without waiting, until the client closes: what is closed while something of it is unread
        may take the answer from the client (RFC 9112, section 9.6)."""
        try:
            conn.sock.shutdown(socket.SHUT_WR)
            conn.sock.setblocking(False)
        except OSError:
            self._drop(conn)
            return
        conn.linger_until = time.monotonic() + LINGER_S
        self.lingering.add(conn)
        self.poller.register(conn.sock, EVENT_READ, partial(self.on_lingering_readable, conn))

    def on_lingering_readable(self, conn: TConn, client: socket.socket) -> None:
        if _received(client, _AT_ONCE) == b"":
            self._drop(conn)

    # Requests that wait for events

    def handle_request(self, req: Any, conn: TConn) -> Any:
        said = dict(req.headers)
        if "TRANSFER-ENCODING" in said and req.method not in _WITHOUT_BODY:
            _NO_LENGTH.send(conn.client, conn.sock.sendall)
            return False
        if int(said.get("CONTENT-LENGTH", 0)) > LARGEST_BODY_BYTES:
            # Before any part of it is read: a form's files would go to the disk
            _LARGE_BODY.send(conn.client, conn.sock.sendall)
            return False
        self.here.waiting = None if self.cfg.is_ssl else conn.waiting
        try:
            return super().handle_request(req, conn)
        except _WaitsError:
            return True

    def finish_request(self, conn: TConn, done: futures.Future[Any]) -> None:
        if done.cancelled() or done.exception() is not None:
            self._drop(conn)
        elif conn.waiting.again:
            self._park(conn)
        elif not done.result():
            self._linger(conn)
        else:
            super().finish_request(conn, done)

    def _park(self, conn: TConn) -> None:
        conn.waiting.again = False
        conn.parser.unreader.take_buffered()  # it is in the head still
        conn.sock.setblocking(False)
        self.parked.add(conn)
        self.poller.register(conn.sock, EVENT_READ, partial(self.on_parked_readable, conn))
        self._have_watched()

    def _have_watched(self) -> None:
        if self.parked and (self.watcher is None or not self.watcher.is_alive()):
            self.watcher = threading.Thread(target=self._watch, name="events", daemon=True)
            self.watcher.start()

    def on_parked_readable(self, conn: TConn, client: socket.socket) -> None:
        """The client of a request that waits is gone, or sends its next one, which can wait as well."""
        received = _received(client, 1, socket.MSG_PEEK)
        if received == b"":
            self._drop(conn)
        elif received:
            with contextlib.suppress(KeyError, ValueError, OSError):
                self.poller.unregister(conn.sock)

    def _send_in(self, conns: Iterable[TConn]) -> None:
        for conn in conns:
            self._forget(conn)
            self._submit(conn)

    def _watch(self) -> None:
        """In a thread of its own, while a request waits: look whether something was published."""
        from api.events.publisher import watch_feed

        for published in watch_feed(lambda: bool(self.parked), every_s=LOOK_EVERY_S):
            if any(conn.waiting.seen < published for conn in list(self.parked)):
                self.method_queue.defer(self._send_in_those_before, published)

    def _send_in_those_before(self, published: int) -> None:
        self._send_in([conn for conn in self.parked if conn.waiting.seen < published])

    def murder_pending(self) -> None:
        """Called with every turn of the main loop: answer those that are too slow. A worker that stops waits
        for no request that has not begun."""
        super().murder_pending()
        now = time.monotonic()
        if not self.alive:
            for conn in self.parked:
                conn.waiting.until = now
        self._send_in([conn for conn in self.parked if now >= conn.waiting.until])
        self._have_watched()
        for conn in [conn for conn in self.lingering if now > conn.linger_until]:
            self._drop(conn)
        for conn in list(self.gathering):
            if now > conn.head_by:
                # A kept connection on which nothing came is only closed
                self._drop(conn, _TOO_SLOW if conn.head else None)
            elif not self.alive and not conn.head:
                self._drop(conn)

    def _drop(self, conn: TConn, answer: _Answer | None = None) -> None:
        self._forget(conn)
        if answer is not None:
            answer.send(conn.client, conn.sock.send)
            self._linger(conn)
            return
        self.nr_conns -= 1
        conn.close()

    def _forget(self, conn: TConn) -> None:
        self.gathering.discard(conn)
        self.parked.discard(conn)
        self.lingering.discard(conn)
        with contextlib.suppress(KeyError, ValueError, OSError):
            self.poller.unregister(conn.sock)


def _answer_or_wait(
    answer: Callable[..., Any],
    here: threading.local,
    environ: dict[str, Any],
    start_response: Callable[..., Any],
) -> Any:
    """The application, but that a request for events may wait: then its answer is thrown away."""
    waiting = getattr(here, "waiting", None)
    if waiting is None or environ["PATH_INFO"] != _EVENTS:
        return answer(environ, start_response)
    environ[ENVIRON] = waiting
    started: list[tuple[Any, ...]] = []
    body = answer(environ, lambda *given: started.append(given))
    if waiting.again:
        body.close()
        raise _WaitsError
    start_response(*started[0])
    return body


def _limit_reading(unreader: SocketUnreader, until: float) -> None:
    """Let a connection be read until that time and no longer."""

    def chunk(size_hint: int | None = None) -> bytes:
        left = until - time.monotonic()
        if left <= 0:
            raise TimeoutError(f"the body did not come within {BODY_S:g} s")
        if left < READ_S:
            # At least a moment: 0 would be without end
            wait = struct.pack("ll", int(left), max(int(left % 1 * 1e6), 1000))
            unreader.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, wait)
        read: bytes = SocketUnreader.chunk(unreader, size_hint)
        return read

    unreader.chunk = chunk


def _is_whole(head: bytearray, seen: int = 0) -> bool:
    """Whether the empty line is there that ends a head, of which the first `seen` bytes do not hold it. Lines
    before the first are none of it."""
    start = 0
    while head.startswith(b"\r\n", start):
        start += 2
    return head.find(b"\r\n\r\n", max(start, seen - 3)) >= 0
