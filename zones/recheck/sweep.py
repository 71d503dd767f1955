"""The sweep: look for marked sites and recompute them, until there are none; or on and on."""

from __future__ import annotations

import datetime as dt
import gc
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

import structlog
from django.conf import settings
from django.db import (
    InterfaceError,
    InternalError,
    OperationalError,
    close_old_connections,
    connection,
)
from psycopg.errors import IdleInTransactionSessionTimeout

from sites.models.changes import Mark
from zones.recheck.alive import ALIVE_EVERY_S, touch
from zones.recheck.batch import Outcome, recheck
from zones.recheck.claims import claimed, report_silent
from zones.recheck.recheck_queue import mark_outdated, raise_due
from zones.recheck.times import add_recheck_time

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Batches:
    """How many sites a batch may have, and how long it may take, however large the sites and however busy
    the machine."""

    fewest: int
    most: int
    lasting_s: float


BATCHES = {
    Mark.Lane.INTERACTIVE: Batches(fewest=10, most=50, lasting_s=0.4),
    Mark.Lane.BULK: Batches(fewest=25, most=300, lasting_s=1.0),
}
"""A person who changes something waits for the batch that is under way, and what a batch found is lost if its
process is killed. Fewer sites would spend their time on starting: 50 at once in bulk take two fifths more a
site than 300, and 150 a tenth more."""
LOOK_FOR_OUTDATED_EVERY_S = 60.0

Chore = Callable[[], object]
_chores: list[Chore] = []
Companion = Callable[[threading.Event], object]
_companions: list[tuple[Companion, Companion]] = []
_sites_at_once: dict[Mark.Lane, int] = {}
"""How many sites the next batch of a lane may have, by how long its last one took."""


@dataclass
class Swept:
    """How many sites were recomputed, and why others could not be, by id."""

    checked: int = 0
    failed: dict[int, str] = field(default_factory=dict)

    def add(self, outcome: Outcome) -> None:
        self.checked += len(outcome.checked)
        self.failed |= outcome.failed


def on_sweep(chore: Chore) -> Chore:
    """Have ``chore()`` called with every look of a sweep: publish, deliver. It must be brief, since the next
    site waits for it; one that raises is logged, and called again next time."""
    if chore not in _chores:
        _chores.append(chore)
    return chore


def beside_sweep(on_and_on: Companion, once: Companion) -> None:
    """Have work done beside the sweeps of `manage.py sweep`, in a thread of its own, that no site waits for:
    with --loop `on_and_on`, until the event that it is given is set; without, `once` after the sites."""
    if (on_and_on, once) not in _companions:
        _companions.append((on_and_on, once))


@contextmanager
def companions(stop: threading.Event) -> Iterator[None]:
    """Context beside which the work of `beside_sweep` is done; leaving it tells that to stop, and waits."""
    threads = [
        threading.Thread(target=on_and_on, args=(stop,), name=on_and_on.__name__)
        for on_and_on, _ in _companions
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def companions_once(stop: threading.Event) -> None:
    for _, once in _companions:
        once(stop)


def look_once(*, now: dt.datetime | None = None) -> Outcome | None:
    """One look: what is due becomes marks; one batch of sites is recomputed; chores are done. None: nothing
    was marked.

    The interactive lane is looked at before every batch, so a person waits for one batch at most.
    """
    raise_due(now)
    outcome = None
    for lane, batches in BATCHES.items():
        with claimed(lane, _sites_at_once.get(lane, batches.fewest)) as site_ids:
            if not site_ids:
                continue
            began = time.perf_counter()
            # Python's collector searches for circles whenever some objects have been made. A batch makes
            # hundreds of thousands that live until its end, and hardly a circle: the search took a seventh
            # of the computing.
            collecting = gc.isenabled()
            gc.disable()
            try:
                outcome = recheck(site_ids, now=now)
            finally:
                if collecting:
                    gc.enable()
            took = time.perf_counter() - began
            add_recheck_time(lane, len(site_ids), took)
            in_time = int(len(site_ids) * batches.lasting_s / took)
            _sites_at_once[lane] = min(max(in_time, batches.fewest), batches.most)
            break
    for chore in _chores:
        try:
            chore()
        except Exception:
            log.exception("a chore of the sweep failed", chore=getattr(chore, "__name__", repr(chore)))
            if not connection.is_usable():
                raise
    return outcome


def sweep(*, now: dt.datetime | None = None, stop: threading.Event | None = None) -> Swept:
    """Look until nothing is marked that this process could claim."""
    swept = Swept()
    mark_outdated()
    while not (stop and stop.is_set()):
        outcome = look_once(now=now)
        if outcome is None:
            break
        swept.add(outcome)
    return swept


def sweep_until(stop: threading.Event, *, interval_s: float) -> Swept:
    """Look on and on, every ``interval_s`` while nothing is marked, until ``stop`` is set.

    A short look costs less than LISTEN would: every NOTIFY takes one lock of the whole database when its
    transaction commits, so writers would wait for each other. A database that is away is waited for.
    """
    swept = Swept()
    outdated_at = silent_at = 0.0
    log.info("looking for marked sites", every_s=interval_s)
    while not stop.is_set():
        touch()
        try:
            close_old_connections()
            if time.monotonic() >= outdated_at:
                mark_outdated()
                outdated_at = time.monotonic() + LOOK_FOR_OUTDATED_EVERY_S
            if time.monotonic() >= silent_at:
                report_silent()
                silent_at = time.monotonic() + settings.CLAIM_TIMEOUT_S / 3
            outcome = look_once()
        except (OperationalError, InterfaceError, InternalError) as error:
            # Where this process did not answer for too long, its session ended, with its claims and its
            # transaction
            if isinstance(error, InternalError) and not isinstance(
                error.__cause__, IdleInTransactionSessionTimeout
            ):
                raise
            log.warning("the database is away, or ended this session", why=str(error).strip())
            connection.close()
            _wait(stop, max(interval_s, 1.0))
            continue
        if outcome is None:
            _wait(stop, interval_s)
        else:
            swept.add(outcome)
    return swept


def _wait(stop: threading.Event, seconds: float) -> None:
    """Wait, or until ``stop`` is set, with a sign of life now and then."""
    while seconds > 0 and not stop.wait(min(seconds, ALIVE_EVERY_S)):
        seconds -= ALIVE_EVERY_S
        touch()
