"""The worker of the web server: gunicorn's threads, and a main loop that copes with slow clients.

gunicorn's own gives a new connection to a thread, which then waits for the client: a few connections that
send half a head stop a worker for as long as they like. Here the main loop gathers the head of each request,
and a thread gets it when it is whole. A client that does not send it in time is told so.

`/healthz` has a thread of its own, so it is answered whatever the others wait for.
"""

from __future__ import annotations

import contextlib
import json
import socket
import struct
import time
from concurrent import futures
from functools import partial
from selectors import EVENT_READ
from typing import Any, Final

from gunicorn.http.unreader import SocketUnreader
from gunicorn.workers.gthread import TConn, ThreadWorker

from api.conventions.problems import CONTENT_TYPE, HEADERS_TOO_LARGE, REQUEST_TIMEOUT, UNAVAILABLE, Kind

HEAD_S: Final = 10
"""In which a client must have sent the head of its request."""
READ_S, WRITE_S = 5, 30
"""How long a thread waits for a client to send the next part of a body, and to take the next of an answer."""
BODY_S: Final = 30.0
"""In which a thread must have the whole body, however many parts it comes in."""
QUEUED_S: Final = 10.0
"""A request that waited longer for a thread is not begun: its client may be gone, and others wait."""
LARGEST_HEAD: Final = 64 * 1024
_AT_ONCE: Final = 64 * 1024
_HEALTH: Final = (b"GET /healthz ", b"HEAD /healthz ")


def _answer(reason: str, kind: Kind, detail: str, *headers: str) -> bytes:
    """A problem that is answered before any thread is at work, and so has no id of a request."""
    body = json.dumps(
        {
            "type": kind.type,
            "title": kind.title,
            "status": kind.status,
            "detail": detail,
            "code": kind.code,
            "errors": [],
        }
    )
    lines = (
        f"HTTP/1.1 {kind.status} {reason}",
        f"Content-Type: {CONTENT_TYPE}",
        f"Content-Length: {len(body)}",
        "Connection: close",
        *headers,
    )
    return "\r\n".join((*lines, "", body)).encode()


_TOO_SLOW: Final = _answer(
    "Request Timeout", REQUEST_TIMEOUT, f"The head of the request did not come within {HEAD_S} s."
)
_TOO_LARGE: Final = _answer(
    "Request Header Fields Too Large",
    HEADERS_TOO_LARGE,
    f"The head of the request has more than {LARGEST_HEAD // 1024} KiB.",
)
_TOO_BUSY: Final = _answer(
    "Service Unavailable",
    UNAVAILABLE,
    "Too many requests wait; nothing was written. Send the same request again.",
    "Retry-After: 5",
)


class Worker(ThreadWorker):
    """1. Accept a connection, and read what there is of the head, in the main loop (`enqueue_req`).
    2. When it is whole, give the connection to a thread (`_submit`, `handle`).
    3. A kept connection comes back, and its next request begins at 1."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.gathering: set[Any] = set()

    def init_process(self) -> None:
        self.health_pool = futures.ThreadPoolExecutor(max_workers=1)
        super().init_process()

    def enqueue_req(self, conn: TConn) -> None:
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
        pool = self.health_pool if conn.head.startswith(_HEALTH) else self.tpool
        future = pool.submit(self.handle, conn)
        future.add_done_callback(lambda done: self.method_queue.defer(self.finish_request, conn, done))

    def handle(self, conn: TConn) -> Any:
        if self.cfg.is_ssl:
            return super().handle(conn)
        for option, seconds in ((socket.SO_RCVTIMEO, READ_S), (socket.SO_SNDTIMEO, WRITE_S)):
            conn.sock.setsockopt(socket.SOL_SOCKET, option, struct.pack("ll", seconds, 0))
        if time.monotonic() - conn.queued_at > QUEUED_S:
            conn.sock.setblocking(True)
            with contextlib.suppress(OSError):
                conn.sock.sendall(_TOO_BUSY)
            return False
        conn.data_ready = True
        conn.init()
        _limit_reading(conn.parser.unreader, time.monotonic() + BODY_S)
        conn.parser.unreader.unread(bytes(conn.head))
        return super().handle(conn)

    def murder_pending(self) -> None:
        """Called with every turn of the main loop: answer those that are too slow. A worker that stops waits
        for no request that has not begun."""
        super().murder_pending()
        now = time.monotonic()
        for conn in list(self.gathering):
            if now > conn.head_by:
                # A kept connection on which nothing came is only closed
                self._drop(conn, _TOO_SLOW if conn.head else b"")
            elif not self.alive and not conn.head:
                self._drop(conn)

    def _drop(self, conn: TConn, answer: bytes = b"") -> None:
        self._forget(conn)
        with contextlib.suppress(OSError):
            if answer:
                conn.sock.send(answer)
        self.nr_conns -= 1
        conn.close()

    def _forget(self, conn: TConn) -> None:
        self.gathering.discard(conn)
        with contextlib.suppress(KeyError, ValueError, OSError):
            self.poller.unregister(conn.sock)


def _limit_reading(unreader: SocketUnreader, until: float) -> None:
    """Let a connection be read until that time and no longer, whatever comes."""

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
