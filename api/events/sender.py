"""The sender: makes deliveries of published events, and sends them. One runs beside each sweep, in a thread
of its own; several share the work.

Attempts go out side by side in one event loop, so a receiver that hangs holds a socket and not a thread. The
database is asked by one thread beside it, never while a transaction waits for a receiver. A sender may be
killed at any moment: what it took comes back by its lease, and is sent again under the same id.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, TypeVar

import structlog
from django.conf import settings
from django.db import DatabaseError, InterfaceError, close_old_connections, connection

from . import deliveries
from .addresses import rules
from .deliveries import Due
from .outbound import Answer, Outbound
from .signing import headers_of

log = structlog.get_logger(__name__)

MOST_UNDER_WAY: Final = 200
LOOK_EVERY_S: Final = 0.25
AFTER_AN_ERROR_S: Final = 1.0
USER_AGENT: Final = "Zonebook"

T = TypeVar("T")


def send_until(stop: threading.Event) -> None:
    """Send what is due, until told to stop; then cut off what is under way, and give it back."""
    while not stop.is_set():
        try:
            asyncio.run(Sender(stop).run())
        except Exception:
            log.exception("the sender of events failed, and begins anew")
            stop.wait(AFTER_AN_ERROR_S)


def send_due(stop: threading.Event) -> None:
    """Send what is due now, once: of a subscription whose receiver fails, no more follows. In a thread of its
    own, since the caller's may run an event loop already."""
    with ThreadPoolExecutor(1, thread_name_prefix="push") as thread:
        thread.submit(lambda: asyncio.run(Sender(stop, once=True).run())).result()


class Sender:
    def __init__(self, stop: threading.Event, *, once: bool = False) -> None:
        self._stop, self._once = stop, once
        self._under_way: set[asyncio.Task[None]] = set()
        self._failed: set[int] = set()
        self._database = ThreadPoolExecutor(1, thread_name_prefix="push-database")
        self._outbound = Outbound(rules(), timeout_s=settings.PUSH_TIMEOUT_S)

    async def run(self) -> None:
        try:
            while not self._stop.is_set():
                taken = await self._take()
                for due in taken:
                    task = asyncio.create_task(self._send(due))
                    self._under_way.add(task)
                    task.add_done_callback(self._under_way.discard)
                if self._once and not taken and not self._under_way:
                    return
                await self._wait(0 if taken and len(self._under_way) < MOST_UNDER_WAY else LOOK_EVERY_S)
        finally:
            await self._end()

    async def _take(self) -> list[Due]:
        room = MOST_UNDER_WAY - len(self._under_way)
        try:
            return await self._asked(_look, room, frozenset(self._failed) if self._once else frozenset())
        except (DatabaseError, InterfaceError) as error:
            if self._once:
                raise
            log.warning("deliveries cannot be read", why=str(error).strip())
            await asyncio.sleep(AFTER_AN_ERROR_S)
            return []

    async def _wait(self, seconds: float) -> None:
        """Until something that is under way ends, and so the next of its subject may be due, or a while."""
        if self._under_way and seconds:
            await asyncio.wait(self._under_way, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        else:
            await asyncio.sleep(seconds)

    async def _send(self, due: Due) -> None:
        began = time.monotonic()
        try:
            answer = await self._attempt(due)
            took_s = time.monotonic() - began
            if not await self._asked(deliveries.finish, due, answer, took_s=took_s):
                self._failed.add(due.subscription_id)
        except asyncio.CancelledError:
            await self._asked(deliveries.give_back, due)
        except (DatabaseError, InterfaceError) as error:
            log.warning("how a delivery went could not be noted: it is sent again", why=str(error).strip())

    async def _attempt(self, due: Due) -> Answer:
        if not due.secrets:
            return Answer(None, "secret")
        signed = headers_of(due.message_id, int(time.time()), due.body, signed_with=due.secrets)
        headers = {"Content-Type": "application/cloudevents+json", "User-Agent": USER_AGENT, **signed}
        return await self._outbound.post(due.url, due.body, headers)

    async def _asked(self, ask: Callable[..., T], *args: Any, **kwargs: Any) -> T:
        """Ask the database, in its thread."""
        return await asyncio.get_running_loop().run_in_executor(
            self._database, lambda: _with_connection(ask, *args, **kwargs)
        )

    async def _end(self) -> None:
        under_way = list(self._under_way)
        for task in under_way:
            task.cancel()
        await asyncio.gather(*under_way, return_exceptions=True)
        self._outbound.close()
        await asyncio.get_running_loop().run_in_executor(self._database, _close)
        self._database.shutdown()


def _look(room: int, leave_out: frozenset[int]) -> list[Due]:
    deliveries.fan_out()
    return deliveries.claim(most=room, leave_out=leave_out)


def _close() -> None:
    connection.close()  # that of the thread in which this runs


def _with_connection(ask: Callable[..., T], *args: Any, **kwargs: Any) -> T:
    close_old_connections()
    try:
        return ask(*args, **kwargs)
    except (DatabaseError, InterfaceError):
        connection.close()
        raise
