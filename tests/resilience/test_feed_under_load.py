"""Many write events at once and commit late, while others read the feed: each reader gets each event once,
those of a subject in their order, and another customer's never."""

from __future__ import annotations

import random
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import orjson
import pytest
from django.db import connection

from api.events import feed as feeds
from api.events.publisher import feed_now, publish
from sites.access.scope import EVERYTHING, Scope
from sites.models import Event, Site
from tests import factories
from tests.zones.recheck.conftest import another_connection

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

WRITERS, READERS, SUBJECTS = 8, 3, 40
EVENTS, ALL_EVENTS = 2_000, 100_000
HOLD_S, LONG_S = 0.2, 600
WRITE = """INSERT INTO event (kind, customer_id, site_id, subject, case_key, body, happened_at)
           VALUES ('case.changed', %s, %s, %s, '', jsonb_build_object('told', %s::text), now())"""


@pytest.fixture
def count(pytestconfig: pytest.Config) -> int:
    return ALL_EVENTS if pytestconfig.getoption("--long") else EVENTS


def write(number: int, count: int, sites: list[Site]) -> None:
    """Events in transactions of one to twenty; every tenth is held for a while before its commit. One writer
    alone writes of a subject, so that its order is known."""
    rng = random.Random(number)
    order: dict[str, int] = defaultdict(int)
    left = count // WRITERS
    with another_connection() as session:
        while left:
            some = min(left, rng.randint(1, 20))
            left -= some
            with session.transaction():
                for _ in range(some):
                    subject = f"cases/{number}{rng.randrange(SUBJECTS // WRITERS)}"
                    order[subject] += 1
                    site = sites[rng.randrange(2)]
                    session.execute(WRITE, [site.customer_id, site.pk, subject, f"{order[subject]}"])
                if rng.random() < 0.1:
                    time.sleep(rng.uniform(0, HOLD_S))


def read(scope: Scope, over: threading.Event) -> list[tuple[str, int, str]]:
    """What a reader gets: subject, number in its order, and the id of the event; until all is read."""
    found: list[tuple[str, int, str]] = []
    after = 0
    while True:
        ending = over.is_set()
        page = feeds.read(feed_now(), after, scope=scope, most=random.randint(1, 500))
        after = page.last
        events = map(orjson.loads, page.events)
        found += [(event["subject"], int(event["data"]["told"]), event["id"]) for event in events]
        if ending and not page.more and not page.events:
            return found


def publishing(over: threading.Event) -> int:
    """Publish, until nothing is left once all is written."""
    published = 0
    while True:
        ending = over.is_set()
        some = publish(most=300)
        published += some
        if ending and not some and not Event.objects.filter(sequence__isnull=True).exists():
            return published


def closing(act: Callable[..., Any]) -> Callable[..., Any]:
    def in_thread(*given: Any) -> Any:
        try:
            return act(*given)
        finally:
            connection.close()

    return in_thread


@pytest.fixture
def sites() -> list[Site]:
    return [factories.make_site(factories.make_customer()) for _ in range(2)]


def test_each_reader_gets_each_event_once_and_in_order(sites: list[Site], count: int) -> None:
    written, published = threading.Event(), threading.Event()
    scopes = [EVERYTHING] * (READERS - 1) + [Scope(frozenset({sites[0].customer_id}))]
    with ThreadPoolExecutor(WRITERS + READERS + 2) as pool:
        readers = [pool.submit(closing(read), scope, published) for scope in scopes]
        publishers = [pool.submit(closing(publishing), written) for _ in range(2)]
        writers = [pool.submit(closing(write), number, count, sites) for number in range(WRITERS)]
        for writer in writers:
            writer.result(LONG_S)
        written.set()
        assert sum(one.result(LONG_S) for one in publishers) == count
        published.set()
        *everything, own = (reader.result(LONG_S) for reader in readers)
    for found in everything:
        assert len(found) == count
        assert len({uid for _, _, uid in found}) == count
        orders: dict[str, list[int]] = defaultdict(list)
        for subject, number, _ in found:
            orders[subject].append(number)
        assert len(orders) == SUBJECTS
        for subject, numbers in orders.items():
            assert numbers == list(range(1, len(numbers) + 1)), subject
    of_customer = {uid for _, _, uid in own}
    with connection.cursor() as cursor:
        cursor.execute("SELECT uid::text FROM event WHERE customer_id = %s", [sites[0].customer_id])
        assert of_customer == {uid for (uid,) in cursor.fetchall()}
    assert len(own) == len(of_customer)
