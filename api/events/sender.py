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
from django.db import DatabaseError, InterfaceError, OperationalError, close_old_connections, connection

from .addresses import rules
from .deliveries.finished import Ended, finish, give_back
from .deliveries.made import fan_out
from .deliveries.taken import Due, claim
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
            log.exception("the sender of events failed, and starts over")
            stop.wait(AFTER_AN_ERROR_S)


def send_due(stop: threading.Event) -> None:
    """Send what is due now, once: of a subscription whose receiver fails, no more follows. In a thread of its
    own, since the caller's may run an event loop already."""
    with ThreadPoolExecutor(1, thread_name_prefix="push") as thread:
        thread.submit(lambda: asyncio.run(Sender(stop, once=True).run())).result()


class Sender:
    def __init__(self, stop: threading.Event, *, once: bool = False) -> None:
        self._stop, self._once = stop, once
        self._under_way: dict[asyncio.Task[Ended], Due] = {}
        self._ended: list[Ended] = []
        self._failed: set[int] = set()
        self._look_at_s = 0.0
        self._database = ThreadPoolExecutor(1, thread_name_prefix="push-database")
        self._outbound = Outbound(rules(), timeout_s=settings.PUSH_TIMEOUT_S)

    async def run(self) -> None:
        try:
            while not self._stop.is_set():
                await self._note()
                taken = await self._take()
                for due in taken:
                    task = asyncio.create_task(self._send(due))
                    self._under_way[task] = due
                    task.add_done_callback(self._end_of)
                if self._once and not (taken or self._under_way or self._ended):
                    return
                if not self._ended:
                    await self._wait()
        finally:
            await self._end()

    async def _note(self) -> None:
        """Note together how all attempts went that ended meanwhile."""
        ended, self._ended = self._ended, []
        if not ended:
            return
        try:
            await self._asked(finish, ended)
        except (OperationalError, InterfaceError) as error:
            log.warning("how deliveries went could not be noted: tried again", why=str(error).strip())
            self._ended += ended
            await asyncio.sleep(AFTER_AN_ERROR_S)
        except DatabaseError as error:
            log.warning("how deliveries went could not be noted: they are sent again", why=str(error).strip())

    async def _take(self) -> list[Due]:
        room = MOST_UNDER_WAY - len(self._under_way) - len(self._ended)
        leave_out = frozenset(self._failed) if self._once else frozenset()
        now = time.monotonic()
        new_ones = now >= self._look_at_s or (self._once and not self._under_way)
        if new_ones:
            self._look_at_s = now + LOOK_EVERY_S
        try:
            return await self._asked(_look, room, leave_out, new_ones)
        except (DatabaseError, InterfaceError) as error:
            if self._once:
                raise
            log.warning("deliveries cannot be read", why=str(error).strip())
            await asyncio.sleep(AFTER_AN_ERROR_S)
            return []

    async def _wait(self) -> None:
        """Until something that is under way ends, and so the next of its subject may be due, or a while."""
        if self._under_way:
            await asyncio.wait(self._under_way, timeout=LOOK_EVERY_S, return_when=asyncio.FIRST_COMPLETED)
        else:
            await asyncio.sleep(LOOK_EVERY_S)

    async def _send(self, due: Due) -> Ended:
        began = time.monotonic()
        answer = await self._attempt(due)
        return Ended(due, answer, time.monotonic() - began)

    def _end_of(self, task: asyncio.Task[Ended]) -> None:
        if not task.cancelled():
            del self._under_way[task]
            ended = task.result()
            self._ended.append(ended)
            if not ended.delivered:
                self._failed.add(ended.due.subscription_id)

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
        for task in list(self._under_way):
            task.cancel()
        await asyncio.gather(*self._under_way, return_exceptions=True)
        self._outbound.close()
        try:
            await self._note()
            if self._under_way:
                await self._asked(give_back, list(self._under_way.values()))
        except (DatabaseError, InterfaceError) as error:
            log.warning("what is under way could not be given back: its leases end", why=str(error).strip())
        await asyncio.get_running_loop().run_in_executor(self._database, _close)
        self._database.shutdown()


def _look(room: int, leave_out: frozenset[int], new_ones: bool) -> list[Due]:
    if new_ones:
        fan_out()
    return claim(most=room, leave_out=leave_out)


def _close() -> None:
    connection.close()  # that of the thread in which this runs


def _with_connection(ask: Callable[..., T], *args: Any, **kwargs: Any) -> T:
    close_old_connections()
    try:
        return ask(*args, **kwargs)
    except (DatabaseError, InterfaceError):
        connection.close()
        raise
