"""A request that waits for something to happen, without a thread.

Our web server's worker keeps such a connection itself: it puts a `Waiting` into the request, and when the
view has nothing to answer yet, it throws the answer away and gives the thread back. It sends the same request
in again when something was published or the time is over (`api.server.worker`). Another server
has no such place, and there a thread waits, for two seconds at most.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from django.http import HttpRequest

ENVIRON: Final = "zonebook.waiting"
THREAD_WAITS_S: Final = 2.0
LOOK_EVERY_S: Final = 0.1


@dataclass
class Waiting:
    """until: when its time is over; None: the request came in just now. seen: how far the feed had come when
    it was looked at. again: it is to wait (on)."""

    until: float | None = None
    seen: int = 0
    again: bool = False

    def wait(self, seconds: float, seen: int) -> None:
        """Have the request wait, unless its time is over. seconds: from when it came in."""
        if self.until is None:
            self.until = time.monotonic() + seconds
        self.seen, self.again = seen, time.monotonic() < self.until


def came_again(request: HttpRequest) -> bool:
    """Whether this request has waited, and was counted when it came in."""
    waiting = request.META.get(ENVIRON)
    return waiting is not None and waiting.until is not None


def waits(request: HttpRequest) -> bool:
    """Whether the answer to this request is thrown away, since it waits on."""
    waiting = request.META.get(ENVIRON)
    return waiting is not None and waiting.again


def wait_until(request: HttpRequest, seconds: float, *, seen: int, there: Callable[[], bool]) -> None:
    """Wait until it is there, or the time is over. Where the server keeps the connection, return at once: the
    answer that follows is thrown away, until then. seen: how far the feed had come."""
    waiting = request.META.get(ENVIRON)
    if waiting is not None:
        waiting.wait(seconds, seen)
        return
    until = time.monotonic() + min(seconds, THREAD_WAITS_S)
    while time.monotonic() < until and not there():
        time.sleep(LOOK_EVERY_S)
