"""What a recheck found, and what is called with it: the seam between this room and those above it.

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
from typing import NamedTuple

from zones.electrical.calibration import Anchoring
from zones.electrical.evaluate import Evaluation
from zones.electrical.plant import Members, Plant


@dataclass(frozen=True, eq=False)
class Checked:
    """The present of a batch of sites, in one snapshot of the database.

    Sites are in the order of ``plant.site_id``, and ``members`` has one whole-site member each, in that
    order, as of the last step of ``as_of``: today in the site's time zone at the instant ``now``. ``plant``
    holds their whole history and what is dated in the future; ``evaluation`` is of today alone.
    ``anchoring`` is that of ``plant``, for further calls of ``evaluate``. ``surveyed_on[i]`` is the day on
    which a site that was taken over was found as it is, ``commissioned_on[i]`` the one on which a site went
    into service. ``solver_before[i]`` is the version of the solver
    that the site was last computed with, None before its first time: where it is older, a figure may have
    changed by that alone. ``checked_before[i]`` is when that was. ``newly_outside``: ids of tests that were
    compared with the record for the first time, and read otherwise.
    """

    site_id: tuple[int, ...]
    plant: Plant
    members: Members
    evaluation: Evaluation
    anchoring: Anchoring
    as_of: tuple[dt.date, ...]
    now: dt.datetime
    surveyed_on: tuple[dt.date | None, ...]
    commissioned_on: tuple[dt.date | None, ...]
    solver_before: tuple[int | None, ...]
    checked_before: tuple[dt.datetime | None, ...]
    newly_outside: tuple[int, ...] = ()


class Due(NamedTuple):
    """``site_id`` is to be rechecked when ``day`` begins in its time zone; why, in at most 40 characters."""

    site_id: int
    day: dt.date
    reason: str


CheckedListener = Callable[[Checked], None]
FailedListener = Callable[[int, str, dt.datetime], None]
DueSource = Callable[[Checked], Iterable[Due]]

checked_listeners: list[CheckedListener] = []
failed_listeners: list[FailedListener] = []
due_sources: list[DueSource] = []


def on_checked(listener: CheckedListener) -> None:
    """Have ``listener(checked)`` called within each recheck's transaction, in the order of registration."""
    if listener not in checked_listeners:
        checked_listeners.append(listener)


def on_failed(listener: FailedListener) -> None:
    """Have ``listener(site_id, reason, now)`` called, in a transaction of its own, when a site could not be
    computed. The next successful recheck of the site comes through ``on_checked``."""
    if listener not in failed_listeners:
        failed_listeners.append(listener)


def on_due(source: DueSource) -> None:
    """Have ``source(checked)`` called, after the listeners, for the days on which time alone changes a
    result: the end of a deferral, a test that falls due.

    A site's due dates are replaced by what its recheck finds, so a source returns all of them each time.
    """
    if source not in due_sources:
        due_sources.append(source)
