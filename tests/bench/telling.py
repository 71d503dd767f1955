"""Changes of a few sites of a fleet, each found by a Celery worker that the broker notifies."""

from __future__ import annotations

import json
import os
import signal
import statistics
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

from api.celery import app
from sites.models import Site
from tests.bench.changing import ROUNDS, SITES_A_ROUND, SPEAKERS
from tests.bench.fleets import add_speakers, settle, tidy
from tests.bench.lines import peak_rss_mb
from zones.electrical.subjects import SubjectKind
from zones.models import Finding, Run, RunFacts

CASES = ("changes",)
TOGETHER = False
WAIT_S = 120.0
POLL_S = 0.001


def cases(_wanted: tuple[str, ...], sites: int) -> Iterator[str]:
    """The median, as JSON: seconds from the commit until another connection sees the finding that names it.
    The sites are the first of the fleet, which are the same for every size."""
    settle()
    # afterwards, so that the planner's statistics are of what the fleet's recheck left behind
    tidy()
    with _worker():
        # The first is not counted: the worker is still starting, and loads what it needs
        _, *took = [_seconds_until_found(run_id) for run_id in _runs(min(ROUNDS, sites // SITES_A_ROUND))]
    yield json.dumps({"seconds": statistics.median(took), "peak_rss_mb": peak_rss_mb()})


@contextmanager
def _worker() -> Iterator[None]:
    """A worker that listens to this process alone: a broker may serve others too."""
    queue = f"zonebook-bench-{uuid.uuid4().hex}"
    app.conf.task_default_queue = queue
    program = [sys.executable, "-m", "celery", "-A", "api.celery", "worker", "--concurrency", "1"]
    worker = subprocess.Popen(
        [*program, "--queues", queue, "--loglevel", "ERROR"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,  # a banner; what goes wrong goes to standard error
        start_new_session=True,
    )
    try:
        yield
    finally:
        worker.send_signal(signal.SIGTERM)
        try:
            worker.wait(WAIT_S)
        finally:
            if worker.poll() is None:
                os.killpg(worker.pid, signal.SIGKILL)
        with app.connection_for_write() as broker:
            broker.default_channel.queue_delete(queue)


def _runs(rounds: int) -> list[int]:
    """One run of each of some sites, where neither the run nor its supply, which all runs of the site share,
    has a finding: so the change made everything that is past on it afterwards."""
    sites = list(Site.objects.order_by("pk").values_list("pk", flat=True)[:rounds])
    found = set(Finding.objects.filter(site__in=sites).values_list("subject_kind", "subject_id"))
    facts = RunFacts.objects.filter(
        site__in=sites, run__kind=Run.Kind.SELF_AMPLIFIED, run__end_step__isnull=True
    )
    now = facts.order_by("run_id", "-step").distinct("run_id").values_list("site_id", "run_id", "supply_id")
    chosen: dict[int, int] = {}
    for site_id, run_id, supply_id in now:
        if not found & {(SubjectKind.RUN, run_id), (SubjectKind.SUPPLY, supply_id)}:
            chosen.setdefault(site_id, run_id)
    return [chosen[site_id] for site_id in sorted(chosen)]


def _seconds_until_found(run_id: int) -> float:
    site_id = Run.objects.values_list("site_id", flat=True).get(pk=run_id)
    change_set_id = add_speakers(site_id, run_id, SPEAKERS, reason="speakers along the corridor")
    began = time.perf_counter()
    while not _is_found(site_id, change_set_id):
        if time.perf_counter() > began + WAIT_S:
            raise RuntimeError(f"no finding of site {site_id} names change set {change_set_id}")
        time.sleep(POLL_S)
    return time.perf_counter() - began


def _is_found(site_id: int, change_set_id: int) -> bool:
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT EXISTS (
                   SELECT FROM finding JOIN "case" ON "case".id = finding.case_id
                   WHERE finding.site_id = %s AND "case".change_set_id = %s
               )""",
            [site_id, change_set_id],
        )
        return bool(cursor.fetchone()[0])
