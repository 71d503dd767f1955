"""What was read of a run over the years, beside what it should have read, and how that changes.

A speaker more lowers an end voltage, and is no drift. So the change is that of what was read less what was
expected on its day: the straight line through these differences by least squares, per year. It tells
something where it is more than the instruments make of it if each is off by as much as it may be, in
whichever direction moves the line most. Common practice, no source.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final

import numpy as np

from sites.wording import counted
from zones.limits.amounts import amount
from zones.loads.outcomes import Outcome, outcomes_of
from zones.models import Run, Test
from zones.models.test_kinds import KINDS, TestKind
from zones.selectors import in_order_taken, was_superseded

LEAST_READINGS: Final = 3
LEAST_SPAN: Final = dt.timedelta(days=365)
"""Readings, and days between the first and the last of them, from which on a change is told."""
DAYS_A_YEAR: Final = 365.25
_DIGITS: Final = {"A": 3}
_USUAL_DIGITS: Final = 2


class Direction(Enum):
    CANNOT_TELL = "cannot_tell"
    RISES = "rises"
    SINKS = "sinks"


@dataclass(frozen=True)
class ExpectedOnDay:
    """What a reading should have been, from the record as of its day, in its unit."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True)
class ReadingOnDay:
    """taken_as, value, verdict, error, outside_by: as tests have them. expected: null: nothing is, or it
    cannot be computed."""

    test_id: int
    taken_on: dt.date
    taken_as: str | None
    value: float
    verdict: str | None
    expected: ExpectedOnDay | None
    error: float | None
    outside_by: float | None


@dataclass(frozen=True)
class Trend:
    """Readings of one kind, at one point, in one state, oldest first. change_per_year: how what was read
    moves against what was expected, in the unit; null: fewer than 3 readings with an expected value, or less
    than a year between them. give_or_take: what the instruments may make of it. direction: cannot_tell where
    it is no more than that. sentence: the change in a sentence."""

    kind: str
    point_id: int | None
    state: str | None
    signal: str | None
    unit: str
    change_per_year: float | None
    give_or_take: float | None
    direction: Direction
    sentence: str
    readings: tuple[ReadingOnDay, ...]


@dataclass(frozen=True)
class TrendsOfRun:
    """trends: those read most often first. Tests that another one replaced are left out."""

    run_id: int
    site_id: int
    as_of: dt.date
    trends: tuple[Trend, ...]


def trends_of(run: Run, as_of: dt.date) -> TrendsOfRun:
    """What was read of a run until the end of a day."""
    rows = Test.objects.filter(run=run, site_id=run.site_id, taken_on__lte=as_of, value__isnull=False)
    counting = rows.filter(was_superseded(superseded=False))
    tests = list(in_order_taken(counting))
    read: defaultdict[tuple[str, int | None, str | None, str | None], list[tuple[Test, Outcome]]]
    read = defaultdict(list)
    for test, outcome in zip(tests, outcomes_of(tests), strict=True):
        read[test.kind, test.point_id, test.state, test.signal_paged].append((test, outcome))
    in_order = sorted(read.values(), key=lambda of: (-len(of), list(KINDS).index(TestKind(of[0][0].kind))))
    return TrendsOfRun(run.pk, run.site_id, as_of, tuple(map(_trend, in_order)))


def _trend(read: Sequence[tuple[Test, Outcome]]) -> Trend:
    first = read[0][0]
    unit = first.unit or ""
    readings = tuple(_reading(test, outcome) for test, outcome in read)
    change = change_of(readings)
    direction = Direction.CANNOT_TELL
    if change is not None and abs(change[0]) > change[1]:
        direction = Direction.RISES if change[0] > 0 else Direction.SINKS
    return Trend(
        kind=first.kind,
        point_id=first.point_id,
        state=first.state,
        signal=first.signal_paged,
        unit=unit,
        change_per_year=None if change is None else change[0],
        give_or_take=None if change is None else change[1],
        direction=direction,
        sentence=_sentence(readings, unit, change, direction),
        readings=readings,
    )


def _reading(test: Test, outcome: Outcome) -> ReadingOnDay:
    expected = None
    if outcome.expected is not None:
        low, likely, high = outcome.expected.low, outcome.expected.likely, outcome.expected.high
        assert low is not None
        assert likely is not None
        assert high is not None
        expected = ExpectedOnDay(low, likely, high)
    assert test.value is not None
    return ReadingOnDay(
        test_id=test.pk,
        taken_on=test.taken_on,
        taken_as=test.taken_as,
        value=test.value,
        verdict=None if outcome.verdict is None else outcome.verdict.value,
        expected=expected,
        error=outcome.error,
        outside_by=outcome.outside_by,
    )


def change_of(readings: Iterable[ReadingOnDay]) -> tuple[float, float] | None:
    """By how much a year the readings move against what was expected, and what their instruments may make of
    that; None: too few were compared, or in too short a time."""
    compared = [(one, one.expected.likely) for one in readings if one.expected is not None]
    if len(compared) < LEAST_READINGS or compared[-1][0].taken_on - compared[0][0].taken_on < LEAST_SPAN:
        return None
    years = np.array([one.taken_on.toordinal() for one, _ in compared]) / DAYS_A_YEAR
    apart = years - years.mean()
    weight = apart / (apart**2).sum()
    differs = np.array([one.value - likely for one, likely in compared])
    errors = np.array([one.error or 0.0 for one, _ in compared])
    return float(weight @ differs), float(np.abs(weight) @ errors)


def _sentence(
    readings: Sequence[ReadingOnDay], unit: str, change: tuple[float, float] | None, direction: Direction
) -> str:
    compared = [one for one in readings if one.expected is not None]
    if change is None:
        return (
            f"Cannot tell whether it changes: {counted(len(compared), 'reading')} with an expected value; it "
            f"takes {LEAST_READINGS}, a year or more from the first to the last."
        )
    signed, per_year, give_or_take = (
        amount(value, unit, decimals=_DIGITS.get(unit, _USUAL_DIGITS), apart_from=0.0)
        for value in (change[0], abs(change[0]), change[1])
    )
    of = (
        f"{counted(len(compared), 'reading')} from {compared[0].taken_on} to {compared[-1].taken_on}, "
        "against what was expected on their days"
    )
    if direction is Direction.CANNOT_TELL:
        return f"Cannot tell whether it changes: {signed} a year, give or take {give_or_take}; {of}."
    return f"It {direction.value} by {per_year} a year, give or take {give_or_take}: {of}."
