"""Events pushed to subscribers, against the same bodies posted by a bare client that keeps no record."""

from __future__ import annotations

import asyncio
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import ip_network
from statistics import median

import httpcore
from django.conf import settings
from django.db import connection

from api.events.deliveries.made import fan_out
from api.events.deliveries.taken import AT_ONCE
from api.events.publisher import feed_now, publish
from api.events.sender import send_due
from api.events.subscriptions import subscription_add
from sites.access.selectors import principal_of
from sites.models import Delivery, Subscription, User
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, line
from tests.bench.publishing import write_events

NAME = "deliver"
CASES = ("events",)
TOGETHER = False
GOAL = 2.0
SUBSCRIBERS, EVENTS, ROUNDS = 20, 50, 5
ANSWERS_AFTER_S = 0.05
"""As a program on the other side of a country does."""

_RECEIVER = f"""
import asyncio
async def answer(reader, writer):
    head = await reader.readuntil(b"\\r\\n\\r\\n")
    lines = head.lower().split(b"\\r\\n")
    length = next(int(one.split(b":")[1]) for one in lines if one.startswith(b"content-length"))
    await reader.readexactly(length)
    await asyncio.sleep({ANSWERS_AFTER_S})
    writer.write(b"HTTP/1.1 204 No Content\\r\\nConnection: close\\r\\n\\r\\n")
    await writer.drain()
    writer.close()
async def main():
    server = await asyncio.start_server(answer, "127.0.0.1", 0, backlog=512)
    print(server.sockets[0].getsockname()[1], flush=True)
    await server.serve_forever()
asyncio.run(main())
"""


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    Subscription.objects.all().delete()  # another benchmark's, whose pushes would wait too
    while publish():  # what the fleet left
        pass
    feed_now()
    settings.PUSH_HTTP, settings.PUSH_PORTS = True, range(1, 65536)
    settings.PUSH_NETWORKS = [ip_network("127.0.0.0/8")]
    with _receiver() as port:
        url = f"http://127.0.0.1:{port}/in"
        _subscribe(url)
        ours, theirs = [], []
        for round_ in range(ROUNDS + 1):
            bodies = _made(EVENTS)
            began = time.perf_counter()
            send_due(threading.Event())
            took = time.perf_counter() - began
            _all_delivered()
            bare = _bare(url, bodies)
            if round_:  # the first begins what the others have: connections, plans of statements
                ours.append(took)
                theirs.append(bare)
    counted = {**sizes(), "subscribers": SUBSCRIBERS, "posts": SUBSCRIBERS * EVENTS}
    yield line(NAME, "events", median(ours), median(theirs), goal=GOAL, sizes=counted)


@contextmanager
def _receiver() -> Iterator[int]:
    """The port of a program that answers each post well, after a while."""
    program = subprocess.Popen([sys.executable, "-c", _RECEIVER], stdout=subprocess.PIPE, text=True)
    assert program.stdout is not None
    try:
        yield int(program.stdout.readline())
    finally:
        program.terminate()
        program.wait()


def _subscribe(url: str) -> None:
    user, _ = User.objects.get_or_create(
        username="bench", defaults={"role": User.Role.MANAGER, "all_customers": True}
    )
    for number in range(SUBSCRIBERS):
        subscription_add(principal=principal_of(user), name=f"desk {number}", url=url)


def _made(count: int) -> list[bytes]:
    """Write events and their deliveries. Returns what a bare client posts: bodies of the same size."""
    write_events(count)
    publish()
    while fan_out():
        pass
    tidy()
    waiting = Delivery.objects.filter(state=Delivery.State.WAITING).count()
    assert waiting == count * Subscription.objects.count(), waiting
    with connection.cursor() as cursor:
        cursor.execute("SELECT body::text FROM event ORDER BY id DESC LIMIT %s", [count])
        return [text.encode() for (text,) in cursor.fetchall()]


def _all_delivered() -> None:
    left = Delivery.objects.exclude(state=Delivery.State.DELIVERED).count()
    if left:
        raise RuntimeError(f"{left} deliveries did not arrive")


def _bare(url: str, bodies: list[bytes]) -> float:
    """Seconds for the same posts, as many at once to each subscriber, each by a connection of its own."""

    async def subscriber() -> None:
        waiting = list(bodies)

        async def some() -> None:
            while waiting:
                async with httpcore.AsyncConnectionPool(max_connections=1) as pool:
                    await pool.request("POST", url, content=waiting.pop())

        await asyncio.gather(*(some() for _ in range(AT_ONCE)))

    async def every() -> None:
        await asyncio.gather(*(subscriber() for _ in range(SUBSCRIBERS)))

    began = time.perf_counter()
    asyncio.run(every())
    return time.perf_counter() - began
