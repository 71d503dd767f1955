"""A receiver of pushes on loopback, as a program of somebody else: it notes what it gets, checks nothing, and
answers, hangs or breaks off as it is told."""

from __future__ import annotations

import contextlib
import json
import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

HANG, RESET = "hang", "reset"
Answering = Callable[["Push"], "int | str | tuple[int, Mapping[str, str]]"]


@dataclass(frozen=True)
class Push:
    at_s: float
    path: str
    headers: Mapping[str, str]
    body: bytes

    @property
    def uid(self) -> str:
        return self.headers["webhook-id"]

    @property
    def event(self) -> Any:
        return json.loads(self.body)


class Receiver:
    def __init__(self, url: str) -> None:
        self.url = url
        self.got: list[Push] = []
        self.taken: list[Push] = []
        """Pushes that were answered with success."""
        self.most_at_once: dict[str, int] = {}
        """By subject, how many were here at the same time."""
        self.answering: Answering = lambda _push: 204
        self.over = threading.Event()
        self._here: dict[str, int] = {}
        self._lock = threading.Lock()

    def subjects(self) -> list[str]:
        return [push.event["subject"] for push in self.got]

    @contextlib.contextmanager
    def at_it(self, push: Push) -> Iterator[None]:
        subject = push.event["subject"]
        with self._lock:
            self.got.append(push)
            self._here[subject] = self._here.get(subject, 0) + 1
            self.most_at_once[subject] = max(self.most_at_once.get(subject, 0), self._here[subject])
        try:
            yield
        finally:
            with self._lock:
                self._here[subject] -= 1

    def until(self, true: Callable[[], Any], within_s: float = 60) -> None:
        """Wait until something is true."""
        deadline = time.monotonic() + within_s
        while not true():
            assert time.monotonic() < deadline, f"got {len(self.got)}, took {len(self.taken)}"
            self.over.wait(0.02)


@contextlib.contextmanager
def receiving() -> Iterator[Receiver]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            push = Push(
                time.monotonic(),
                self.path,
                {name.lower(): value for name, value in self.headers.items()},
                self.rfile.read(int(self.headers["Content-Length"])),
            )
            with receiver.at_it(push):
                answer = receiver.answering(push)
                if answer == HANG:
                    receiver.over.wait()
                elif answer != RESET:
                    status, headers = answer if isinstance(answer, tuple) else (int(answer), {})
                    if 200 <= status < 300:
                        receiver.taken.append(push)
            if answer in (HANG, RESET):
                # SO_LINGER of no time: the connection is reset and not closed
                linger = struct.pack("ii", 1, 0)
                self.connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, linger)
                self.close_connection = True
                return
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    class Server(ThreadingHTTPServer):
        daemon_threads = True
        request_queue_size = 128

        def shutdown_request(self, request: Any) -> None:
            self.close_request(request)  # what comes before otherwise ends in good order, without a reset

        def handle_error(self, *_: Any) -> None:
            """Ignore the error: a sender that was killed is not an error of the receiver."""

    with Server(("127.0.0.1", 0), Handler) as server:
        receiver = Receiver(f"http://127.0.0.1:{server.server_address[1]}/in")
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield receiver
        finally:
            receiver.over.set()
            server.shutdown()
            thread.join()
