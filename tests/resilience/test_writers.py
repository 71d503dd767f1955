"""Four writers at once, through four channels, while workers are killed and the broker forgets: nothing is
lost, nothing doubled, and every figure, finding and attribution is what the oracle says.

A fiftieth of it without ``--long``.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict

import pytest
import redis
from django.db import connection
from django.utils import timezone
from kombu.connection import Connection

from sites.access.services import token_make
from sites.models.access import User
from sites.models.changes import ChangeSet, Mark
from tests import factories
from tests.oracle.comparing import Report, compare_sweep
from tests.oracle.computing import Computed
from tests.oracle.histories.catalogue import make_catalogue
from tests.oracle.record import read_record
from tests.resilience.conftest import LONG_S, Process, Processes
from tests.resilience.test_brokers import WORKER
from zones.models import Finding, SiteCheck

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

CHANGE_SETS = 10_000
CHANNELS = ("service", "rows", "rest", "import")
KILLED_AFTER_S, FLUSHED_EVERY_S = 2.0, 5.0
SETTLED_WITHIN_S = 10.0
"""Limit for the whole of it on a machine that does nothing else; beside other tests a fiftieth runs."""


@pytest.mark.parametrize("broker", ["redis_url", "rabbitmq_url", None])
def test_nothing_is_lost(broker: str | None, processes: Processes, request: pytest.FixtureRequest) -> None:
    long = request.config.getoption("--long")
    if broker != "redis_url" and not long:
        pytest.skip("with RabbitMQ, and with no broker, which other tests of this folder have: with --long")
    url = request.getfixturevalue(broker) if broker else None
    count = CHANGE_SETS if long else CHANGE_SETS // 50
    environment = {"CELERY_BROKER_URL": url} if url else {}
    flush = (lambda: _flush(url, processes)) if url else None
    with _faults(lambda: _looker(processes, environment, notified=bool(url)), flush) as stop_faults:
        writers = _writers(processes, environment, count // len(CHANNELS))
        sites = [site for writer in writers for site in _written(writer)]
        stop_faults()
    stopped = time.monotonic()
    _looker(processes, environment, notified=bool(url))
    processes.start("tests.resilience.sweeping", "--loop").until(lambda: not Mark.objects.exists())
    settled_s = time.monotonic() - stopped
    print(f"{settled_s:.1f} s after the faults no site was marked")
    change_sets = ChangeSet.objects.filter(site__in=sites, state=ChangeSet.State.ACCEPTED).count()
    print(f"{change_sets} change sets of {len(sites)} sites accepted")
    _nothing_failed(sites)
    _as_the_oracle_says(sites)
    assert settled_s < (SETTLED_WITHIN_S if long else LONG_S)


# --- writers ------------------------------------------------------------------------------------------


def _writers(processes: Processes, environment: dict[str, str], change_sets: int) -> list[Process]:
    catalogue = asdict(make_catalogue())
    contract = factories.make_contract(factories.make_customer())
    user = factories.make_user(User.Role.MANAGER, all_customers=True)
    _, token = token_make(user=user, scopes=["record:read", "record:write"])
    shared = {"change_sets": change_sets, "catalogue": catalogue, "contract": contract.pk, "token": token}
    return [
        processes.start(
            "tests.resilience.writing",
            json.dumps({**shared, "channel": channel, "seed": seed}),
            ZONEBOOK_REQUESTS_PER_MINUTE="1000000",
            **environment,
        )
        for seed, channel in enumerate(CHANNELS, start=1)
    ]


def _written(writer: Process) -> list[int]:
    return list(json.loads(writer.ended(within_s=1800).splitlines()[-1]))


# --- faults -------------------------------------------------------------------------------------------


def _looker(processes: Processes, environment: dict[str, str], *, notified: bool) -> Process:
    """A worker where there is a broker, else a sweeper."""
    if notified:
        return processes.start(*WORKER, **environment)
    return processes.start("tests.resilience.sweeping", "--loop")


@contextmanager
def _faults(start: Callable[[], Process], flush: Callable[[], None] | None) -> Iterator[Callable[[], None]]:
    """Start somebody who looks, and kill it soon after it has begun to, again and again; have the broker
    forget everything now and then."""
    over = threading.Event()
    amiss: list[Exception] = []
    count = Counter[str]()

    def kill_on_and_on() -> None:
        try:
            while not over.is_set():
                looker = start()
                while not over.is_set() and not _is_ready(looker):
                    over.wait(0.05)
                over.wait(KILLED_AFTER_S)
                os.killpg(looker.popen.pid, signal.SIGKILL)
                looker.popen.wait()
                count["kills"] += 1
        except (AssertionError, OSError) as error:  # raised below, in the test's own thread
            amiss.append(error)

    def flush_on_and_on() -> None:
        while flush and not over.wait(FLUSHED_EVERY_S):
            flush()
            count["flushes"] += 1

    threads = [threading.Thread(target=each) for each in (kill_on_and_on, flush_on_and_on)]

    def stop() -> None:
        over.set()
        for thread in threads:
            thread.join()

    for thread in threads:
        thread.start()
    try:
        yield stop
    finally:
        stop()
    print(f"faults: {dict(count)}")
    assert not amiss, amiss


def _is_ready(looker: Process) -> bool:
    """A worker says so, and so does a sweeper."""
    assert looker.popen.poll() is None, looker.said
    return " ready." in looker.said or "looking for marked sites" in looker.said


def _flush(url: str, processes: Processes) -> None:
    """All that the broker holds of this test is gone."""
    if url.startswith("redis"):
        with redis.Redis.from_url(url) as client:
            client.flushdb()
        return
    # there may be no queue yet: the first worker to be ready makes it
    with Connection(url) as broker, broker.channel() as channel, suppress(*broker.channel_errors):
        channel.queue_purge(processes.environment["ZONEBOOK_TESTED_QUEUE"])


# --- what is left ----------------------------------------------------------------------------------------


def _nothing_failed(sites: list[int]) -> None:
    checks = SiteCheck.objects.filter(site_id__in=sites)
    assert checks.count() == len(sites)
    assert not list(checks.filter(failures__gt=0).values_list("site_id", "last_error"))
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT site_id, code, subject_kind, subject_id, count(*) FROM finding
               WHERE cleared_at IS NULL GROUP BY 1, 2, 3, 4 HAVING count(*) > 1"""
        )
        assert cursor.fetchall() == []
    assert Finding.objects.filter(site_id__in=sites).exists()


def _as_the_oracle_says(sites: list[int]) -> None:
    report = Report()
    now = timezone.now()
    for site in sites:
        compare_sweep(Computed(read_record(site)), now, report)
    print(f"{len(sites)} sites compared: {dict(sorted(report.compared.items()))}")
    assert report.compared["figures"] > len(sites)
    assert not report.differences, "\n".join(report.differences[:20])
