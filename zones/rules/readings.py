"""Rules of readings: what each kind is taken at, in which state, and when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator

from sites.changes.errors import Problem
from zones.models import Reading

TAKEN_AT: dict[str, tuple[str, ...]] = {
    Reading.Kind.RUN_CURRENT: ("run",),
    Reading.Kind.END_VOLTAGE: ("run", "point"),
    Reading.Kind.POE_POWER: ("switch",),
}
"""What a reading of each kind names."""


def subject_fits(kind: str, given: Collection[str]) -> Iterator[Problem]:
    """``given``: those of run, point and switch that the reading names."""
    label = Reading.Kind(kind).label
    for name in TAKEN_AT[kind]:
        if name not in given:
            yield Problem(f"A reading of {label} names its {name}.", "required", f"/{name}_id")
    for name in given:
        if name not in TAKEN_AT[kind]:
            yield Problem(f"A reading of {label} names no {name}.", "invalid", f"/{name}_id")


def signal_fits(state: str, signal: str) -> Iterator[Problem]:
    """Nothing is paged while an idle reading is taken."""
    if signal == Reading.Signal.TONE and state != Reading.State.PAGING:
        detail = "An idle reading is taken without a tone: say paging, or leave the signal out."
        yield Problem(detail, "invalid", "/signal")


def taken_by_then(taken_on: dt.date, recorded_on: dt.date | None) -> Iterator[Problem]:
    """A reading is not of a day after the change that recorded it. ``recorded_on``: None: today."""
    if recorded_on is not None and taken_on > recorded_on:
        detail = f"Read on {taken_on}, after the day of this change ({recorded_on})."
        yield Problem(detail, "invalid", "/taken_on")
