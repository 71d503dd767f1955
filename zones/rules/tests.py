"""Rules of tests: what each kind is taken at, in which state, what it gives, and when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Mapping
from typing import Any, Final

from sites.changes.errors import Problem
from zones.models import KINDS
from zones.models.test_kinds import Measured, TestKind, TestSignal, TestState

SUBJECTS = ("run", "point", "zone", "switch")
"""What a test may name; each kind names some of them."""
_UNITS: Final = {"ohm": "Ω", "Ohm": "Ω", "\N{OHM SIGN}": "Ω"}
"""What a keyboard has in the place of a unit's sign."""
CLOCK_AHEAD: Final = dt.timedelta(minutes=5)
"""How far the clock of a phone may be ahead of ours."""


def problems_of_test(kind: str, values: Mapping[str, Any]) -> Iterator[Problem]:
    """All that contradicts its kind in the values of a test, by the names of its fields; ``unit``: in which
    its value was given, where somebody says so."""
    given = [name for name in SUBJECTS if values.get(name) is not None]
    yield from subject_fits(kind, given)
    state = values.get("state")
    yield from state_fits(kind, state, values.get("signal") or TestSignal.SPEECH)
    yield from outcome_fits(kind, values.get("value"), values.get("passed"), values.get("unit") or "")
    yield from is_confirmed(kind, confirmed=values.get("electronics_disconnected"))
    if values.get("instrument_error") is not None and KINDS[TestKind(kind)].measured is None:
        label = TestKind(kind).label
        yield Problem(f"A test of {label} has no value, so no error of it.", "invalid", "/instrument_error")
    calibrated, due = values.get("calibrated_on"), values.get("calibration_due_on")
    if calibrated is not None and due is not None and due < calibrated:
        detail = f"The calibration of {calibrated} is due later than on {due}."
        yield Problem(detail, "invalid", "/calibration_due_on")


def subject_fits(kind: str, given: Collection[str]) -> Iterator[Problem]:
    """``given``: those of `SUBJECTS` that the test names."""
    label, wanted = TestKind(kind).label, KINDS[TestKind(kind)].subjects
    if set(given) in wanted:
        return
    if len(wanted) > 1:
        several = " or its ".join(sorted(" and ".join(sorted(one)) for one in wanted))
        path = f"/{min(wanted[0])}_id"
        yield Problem(f"A test of {label} names its {several}, one of them alone.", "required", path)
        return
    for name in SUBJECTS:
        if name in wanted[0] and name not in given:
            yield Problem(f"A test of {label} names its {name}.", "required", f"/{name}_id")
    for name in given:
        if name not in wanted[0]:
            yield Problem(f"A test of {label} names no {name}.", "invalid", f"/{name}_id")


def state_fits(kind: str, state: str | None, signal: str) -> Iterator[Problem]:
    """A signal is recorded only of tests during which something is paged: not idle, not on a dead wire."""
    label, states = TestKind(kind).label, KINDS[TestKind(kind)].states
    if state is not None and state not in states:
        if states:
            detail = f"A test of {label} is taken {' or '.join(states)}; not {state}."
        else:
            detail = f"A test of {label} is taken on a dead wire: leave the state out."
        yield Problem(detail, "invalid", "/state")
    elif state is None and states:
        yield Problem(f"A test of {label} says its state: {' or '.join(states)}.", "required", "/state")
    if signal == TestSignal.TONE and state == TestState.IDLE:
        detail = "An idle test is taken without a tone: say paging, or leave the signal out."
        yield Problem(detail, "invalid", "/signal")
    elif signal == TestSignal.TONE and not states:
        yield Problem(
            f"Nothing is paged during a test of {label}: leave the signal out.", "invalid", "/signal"
        )


def outcome_fits(kind: str, value: float | None, passed: bool | None, unit: str) -> Iterator[Problem]:
    """A kind that is measured has a value within its bounds and in its unit; any other passes or fails."""
    label, measured = TestKind(kind).label, KINDS[TestKind(kind)].measured
    if measured is None:
        if value is not None:
            detail = f"A test of {label} has no value: say whether it passed."
            yield Problem(detail, "invalid", "/value")
        if passed is None:
            yield Problem(f"A test of {label} says whether it passed: true or false.", "required", "/passed")
        if unit:
            yield Problem(f"A test of {label} has no value, so no unit.", "invalid", "/unit")
        return
    if passed is not None:
        detail = f"A test of {label} gives a value in {measured.unit}: leave out whether it passed."
        yield Problem(detail, "invalid", "/passed")
    if unit and _UNITS.get(unit, unit) != measured.unit:
        detail = f"The value of a test of {label} is in {measured.unit}, not in {unit}: convert it."
        yield Problem(detail, "invalid", "/unit")
    elif value is None:
        yield Problem(f"A test of {label} gives a value in {measured.unit}.", "required", "/value")
    elif not measured.minimum <= value <= measured.maximum:
        yield Problem(f"value: expected {_bounds(measured)}.", "invalid", "/value")


def _bounds(measured: Measured) -> str:
    return f"a number from {measured.minimum:g} to {measured.maximum:g} [{measured.unit}]"


def is_confirmed(kind: str, *, confirmed: bool | None) -> Iterator[Problem]:
    """A test that destroys what is left connected wants a word that nothing is."""
    entry = KINDS[TestKind(kind)]
    if entry.confirmed_by and confirmed is not True:
        yield Problem(
            f"{entry.caution} Then say {entry.confirmed_by}: true.", "required", f"/{entry.confirmed_by}"
        )
    if not entry.confirmed_by and confirmed is not None:
        detail = f"A test of {TestKind(kind).label} needs no such confirmation: leave it out."
        yield Problem(detail, "invalid", "/electronics_disconnected")


def taken_by_then(taken_on: dt.date, recorded_on: dt.date | None) -> Iterator[Problem]:
    """A test is not of a day after the change that recorded it. ``recorded_on``: None: today."""
    if recorded_on is not None and taken_on > recorded_on:
        detail = f"Taken on {taken_on}, after the day of this change ({recorded_on})."
        yield Problem(detail, "invalid", "/taken_on")


def has_come(taken_on: dt.date, taken_at: str, now: dt.datetime) -> Iterator[Problem]:
    """A change may be planned for a day to come; nothing was tested on it yet. ``now``: at the site."""
    if taken_on > now.date():
        yield Problem(f"Taken on {taken_on}, which is to come: it is {now.date()}.", "invalid", "/taken_on")
    elif taken_at and _moment(taken_on, taken_at, now.tzinfo) > now.astimezone(dt.UTC) + CLOCK_AHEAD:
        detail = f"Taken at {taken_at}, which is to come: it is {now:%H:%M} at the site."
        yield Problem(detail, "invalid", "/taken_at")


def _moment(day: dt.date, at: str, zone: dt.tzinfo | None) -> dt.datetime:
    """The first time of that day at which clocks of the zone show it."""
    hours, minutes = map(int, at.split(":"))
    midnight = dt.datetime.combine(day + dt.timedelta(days=hours // 24), dt.time(), zone)
    return midnight.replace(hour=hours % 24, minute=minutes).astimezone(dt.UTC)


def visit_fits(taken_on: dt.date, visited_on: dt.date | None) -> Iterator[Problem]:
    """A test belongs to a visit of its day. ``visited_on``: None: to no visit."""
    if visited_on is not None and visited_on != taken_on:
        detail = f"Taken on {taken_on}, and the visit was on {visited_on}: name one of the same day."
        yield Problem(detail, "other_day", "/visit_id")
