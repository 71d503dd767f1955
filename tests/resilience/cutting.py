"""A proxy between the service and PostgreSQL that cuts connections where it is told to."""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
from collections.abc import Callable
from enum import Enum

CANCEL, SSL, GSS = 80877102, 80877103, 80877104  # "Message Formats" in the manual of PostgreSQL
QUERY, COMMIT = b"Q", b"COMMIT\0"


class Cut(Enum):
    BEFORE_COMMIT = "the COMMIT never reaches the server"
    AFTER_COMMIT = "the server commits, and its answer never arrives"
    BEFORE_INSERT = "an INSERT of the transaction never reaches the server"
    AFTER_ANSWER = "the answer to the COMMIT arrives, and the next query never reaches the server"


class Proxy:
    """Serves on a port of the loopback interface, each connection in a thread. `cut`: where the next
    connection that comes there is cut, once; `then` is called just before."""

    def __init__(self, upstream: Callable[[], socket.socket]) -> None:
        self.upstream = upstream
        self.cut: Cut | None = None
        self.then: Callable[[], None] = _nothing
        self.cuts = 0
        self._guard = threading.Lock()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        self._listening.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # closed
            while True:
                client, _ = self._listening.accept()
                threading.Thread(target=self._serve, args=[client], daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        with client, self.upstream() as server, contextlib.suppress(OSError):
            _Connection(self, client, server).run()

    def due(self, *cuts: Cut) -> bool:
        """Whether this is where to cut; true once."""
        with self._guard:
            if self.cut not in cuts:
                return False
            self.cut = None
            self.cuts += 1
        self.then()
        return True


class _Connection:
    def __init__(self, proxy: Proxy, client: socket.socket, server: socket.socket) -> None:
        self.proxy, self.client, self.server = proxy, client, server
        self.begun = False
        self.committed = False
        self.unread = b""

    def run(self) -> None:
        while True:
            ready, _, _ = select.select([self.client, self.server], [], [])
            if self.server in ready:
                answer = self.server.recv(1 << 16)
                if not answer:
                    return
                self.client.sendall(answer)
            if self.client in ready:
                sent = self.client.recv(1 << 16)
                if not sent:
                    return
                self.unread += sent
                while (message := self._next()) is not None:
                    if not self._forward(message):
                        return

    def _next(self) -> bytes | None:
        """The next whole message of the client. The first ones have no letter before their length."""
        letter = 1 if self.begun else 0
        if len(self.unread) < letter + 4:
            return None
        (length,) = struct.unpack_from("!i", self.unread, letter)
        if len(self.unread) < letter + length:
            return None
        message, self.unread = self.unread[: letter + length], self.unread[letter + length :]
        return message

    def _forward(self, message: bytes) -> bool:
        """Hand a message on; False where the connection is cut instead."""
        if not self.begun:
            (code,) = struct.unpack_from("!i", message, 4)
            if code in (SSL, GSS):
                self.client.sendall(b"N")
                return True
            self.begun = code != CANCEL
        query = message[5:] if message[:1] == QUERY else b""
        if query == COMMIT:
            if self.proxy.due(Cut.BEFORE_COMMIT):
                return False
            if self.proxy.due(Cut.AFTER_COMMIT):
                self.server.sendall(message)
                self.server.recv(1)  # it answers once it has committed
                return False
            self.committed = self.proxy.cut is Cut.AFTER_ANSWER
        elif query:
            here = Cut.AFTER_ANSWER if self.committed else Cut.BEFORE_INSERT
            if (self.committed or query.startswith(b"INSERT")) and self.proxy.due(here):
                return False
        self.server.sendall(message)
        return True


def _nothing() -> None:
    pass
