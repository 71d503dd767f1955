"""Days of steps, as the record counts both: a test holds this beside ``sites.changes.steps``.

A day is its ordinal number: day 1 of year 1 is 1.
"""

from __future__ import annotations

import calendar
import datetime as dt
from typing import Final, TypeVar

from zones.electrical.bands import IntArray

STEPS_A_DAY: Final = 65536
Days = TypeVar("Days", int, IntArray)

_EPOCH: Final = dt.date(1970, 1, 1).toordinal()


def ordinal_of(step: Days) -> Days:
    """The day of a step, or of each of some steps.

    >>> dt.date.fromordinal(ordinal_of(65536 + 3)).isoformat()
    '1970-01-02'
    """
    return step // STEPS_A_DAY + _EPOCH


def last_step_of(ordinal: Days) -> Days:
    """The step after every change of a day, or of each of some days.

    >>> ordinal_of(last_step_of(739_000)), ordinal_of(last_step_of(739_000) + 1)
    (739000, 739001)
    """
    return (ordinal - _EPOCH + 1) * STEPS_A_DAY - 1


def months_after(ordinal: int, months: int) -> int:
    """The same day of the month ``months`` after the day ``ordinal``; the last of the month where that has no
    such day.

    >>> dt.date.fromordinal(months_after(dt.date(2026, 8, 31).toordinal(), 6)).isoformat()
    '2027-02-28'
    """
    day = dt.date.fromordinal(ordinal)
    years, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    longest = calendar.monthrange(years, month + 1)[1]
    return dt.date(years, month + 1, min(day.day, longest)).toordinal()
