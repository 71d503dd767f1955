"""What a recheck found, and who is told: the seam between this room and those above it.

The rooms above (findings, events) register here when the service starts, from an ``AppConfig.ready``; this
room never imports them. A listener of ``on_checked`` runs inside the recheck's one transaction: what it
writes is committed with the figures and the marks' deletion, or not at all. It must be set-based, since it is
given a whole batch, and must not read what another transaction may have written since (the snapshot is
REPEATABLE READ: a conflicting write raises, and the batch is done again).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

from zones.electrical.calibration import Anchoring
from zones.electrical.evaluate import Evaluation
from zones.electrical.plant import Members, Plant


@dataclass(frozen=True, eq=False)
class Checked:
    """The present of a batch of sites, in one snapshot of the database.

    Sites are in the order of ``plant.site_id``, and ``members`` has one whole-site member each, in that
    order. ``plant`` holds their whole history and what is dated in the future; ``evaluation`` is of
    ``as_of`` alone. ``step[i]`` is the last step of the day ``as_of[i]``, which is today in the time zone of
    site ``i`` at the instant ``now``. ``anchoring`` is that of ``plant``, to be handed to further calls of
    ``evaluate``. ``surveyed_on[i]`` is the day on which a site that was taken over was found as it is.
    ``solver_before[i]`` is the version of the solver that the site was last computed with, None
    before its first time: where it is older, a figure may have changed by that alone.
    """

    site_id: tuple[int, ...]
    plant: Plant
    members: Members
    evaluation: Evaluation
    anchoring: Anchoring
    as_of: tuple[dt.date, ...]
    step: tuple[int, ...]
    now: dt.datetime
    surveyed_on: tuple[dt.date | None, ...]
    solver_before: tuple[int | None, ...]


class Due(NamedTuple):
    """``site_id`` is to be rechecked when ``day`` begins in its time zone; why, in at most 40 characters."""

    site_id: int
    day: dt.date
    reason: str


CheckedListener = Callable[[Checked], None]
FailedListener = Callable[[int, str, dt.datetime], None]
DueSource = Callable[[Checked], Iterable[Due]]

F = TypeVar("F")
_checked: list[CheckedListener] = []
_failed: list[FailedListener] = []
_due: list[DueSource] = []


def on_checked(listener: CheckedListener) -> CheckedListener:
    """Have ``listener(checked)`` called within each recheck's transaction, in the order of registration."""
    return _once(_checked, listener)


def on_failed(listener: FailedListener) -> FailedListener:
    """Have ``listener(site_id, reason, now)`` called, in a transaction of its own, when a site could not be
    computed. The next successful recheck of the site is told through ``on_checked``."""
    return _once(_failed, listener)


def on_due(source: DueSource) -> DueSource:
    """Have ``source(checked)`` asked, after the listeners, for the days on which time alone changes a
    result: the end of a deferral, a test that falls due.

    A site's due dates are replaced by what its recheck finds, so a source says all of them each time.
    """
    return _once(_due, source)


def checked_listeners() -> tuple[CheckedListener, ...]:
    return tuple(_checked)


def failed_listeners() -> tuple[FailedListener, ...]:
    return tuple(_failed)


def due_sources() -> tuple[DueSource, ...]:
    return tuple(_due)


def _once(listeners: list[F], listener: F) -> F:
    if listener not in listeners:
        listeners.append(listener)
    return listener
