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
from django.db import InterfaceError, OperationalError, close_old_connections, connection

from sites.models.changes import Mark
from zones.recheck.batch import Outcome, recheck
from zones.recheck.recheck_queue import claimed, mark_outdated, raise_due

log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class Batches:
    """How many sites a batch may have, and how long it is to take, however large the sites and however busy
    the machine."""

    fewest: int
    most: int
    lasting_s: float


BATCHES = {
    Mark.Lane.INTERACTIVE: Batches(fewest=10, most=50, lasting_s=0.4),
    Mark.Lane.BULK: Batches(fewest=25, most=300, lasting_s=1.0),
}
"""Whoever changes something waits for the batch that is under way; what a batch found is lost if its process
is killed, and so a short-lived one still gets on. Fewer sites would spend their time on beginning: 50 at once
in bulk take two fifths more a site than 300, and 150 a tenth more."""
LOOK_FOR_OUTDATED_EVERY_S = 60.0

Chore = Callable[[], object]
_chores: list[Chore] = []


@dataclass
class Swept:
    """How many sites were recomputed, and why others could not be, by id."""

    checked: int = 0
    failed: dict[int, str] = field(default_factory=dict)

    def add(self, outcome: Outcome) -> None:
        self.checked += len(outcome.checked)
        self.failed |= outcome.failed


class _Pace:
    """How many sites a batch may have, going by what the last one of its lane took."""

    def __init__(self) -> None:
        self.sites = {lane: batches.fewest for lane, batches in BATCHES.items()}

    def note(self, lane: Mark.Lane, sites: int, took_s: float) -> None:
        batches = BATCHES[lane]
        within = int(sites * batches.lasting_s / took_s)
        self.sites[lane] = min(max(within, batches.fewest), batches.most)


_pace = _Pace()


def on_sweep(chore: Chore) -> Chore:
    """Have ``chore()`` called with every look of a sweep: publish, deliver. It must be brief, since the next
    site waits for it; one that raises is logged, and called again next time."""
    if chore not in _chores:
        _chores.append(chore)
    return chore


def look_once(*, now: dt.datetime | None = None) -> Outcome | None:
    """One look: what is due becomes marks; one batch of sites is recomputed; chores are done. None: nothing
    was marked.

    The interactive lane is looked at before every batch, so whoever waits there waits for one batch at most.
    """
    raise_due(now)
    outcome = None
    for lane in BATCHES:
        with claimed(lane, _pace.sites[lane]) as site_ids:
            if site_ids:
                began = time.perf_counter()
                with _no_search_for_circles():
                    outcome = recheck(site_ids, now=now)
                _pace.note(lane, len(site_ids), time.perf_counter() - began)
                break
    for chore in _chores:
        try:
            chore()
        except Exception:
            log.exception("a chore of the sweep failed", chore=getattr(chore, "__name__", repr(chore)))
            if not connection.is_usable():
                raise
    return outcome


@contextmanager
def _no_search_for_circles() -> Iterator[None]:
    """Python's collector looks for objects that refer to each other in a circle whenever some have been made.
    A batch makes hundreds of thousands that live until its end, and hardly a circle: the looking took a
    seventh of the computing."""
    looking = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looking:
            gc.enable()


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
    outdated_at = 0.0
    log.info("looking for marked sites", every_s=interval_s)
    while not stop.is_set():
        try:
            close_old_connections()
            if time.monotonic() >= outdated_at:
                mark_outdated()
                outdated_at = time.monotonic() + LOOK_FOR_OUTDATED_EVERY_S
            outcome = look_once()
        except (OperationalError, InterfaceError) as error:
            log.warning("the database is away", why=str(error).strip())
            connection.close()
            stop.wait(max(interval_s, 1.0))
            continue
        if outcome is None:
            stop.wait(interval_s)
        else:
            swept.add(outcome)
    return swept
