"""A receiver of pushed events on loopback, as a program of somebody else: it checks each signature as
README.md shows it, by the secret of its subscription alone, and keeps what it takes."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Iterator, Mapping
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Final

OLDEST_S: Final = 300
LARGEST_BODY: Final = 4 * 1024 * 1024


class Receiver:
    def __init__(self, port: int) -> None:
        self.port = port
        self.secret = ""
        """Secret of its subscription, as the answer gave it."""
        self.taken: dict[str, Any] = {}
        """Events whose signature holds, by id."""
        self.refused = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/events"

    def take(self, headers: Mapping[str, str], body: bytes) -> int:
        """The status of the answer to a push."""
        if not verified(self.secret, headers, body):
            self.refused += 1
            return 401
        self.taken[headers["webhook-id"]] = json.loads(body)
        return 204


def verified(secret: str, headers: Mapping[str, str], body: bytes) -> bool:
    """Whether a push is signed with the secret (Standard Webhooks 1.0.0). headers: with names in small
    letters."""
    try:
        moment, given = headers["webhook-timestamp"], headers["webhook-signature"].split()
        content = b"%s.%s.%s" % (headers["webhook-id"].encode(), moment.encode(), body)
        if abs(time.time() - int(moment)) > OLDEST_S:
            return False
    except (KeyError, ValueError):
        return False
    key = base64.b64decode(secret.removeprefix("whsec_"))
    right = "v1," + base64.b64encode(hmac.new(key, content, hashlib.sha256).digest()).decode()
    return any(hmac.compare_digest(right, one) for one in given)


@contextlib.contextmanager
def receiving() -> Iterator[Receiver]:
    """A receiver that answers while the block lasts."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = min(int(self.headers.get("Content-Length") or 0), LARGEST_BODY)
            headers = {name.lower(): value for name, value in self.headers.items()}
            self.send_response(receiver.take(headers, self.rfile.read(length)))
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Nothing: the demo says what comes of it."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        receiver = Receiver(server.server_address[1])
        thread = threading.Thread(target=server.serve_forever, name="receiver", daemon=True)
        thread.start()
        try:
            yield receiver
        finally:
            server.shutdown()
            thread.join()
