"""Steps: one integer, day-major, so that facts of several changes of a day are in order.

``step = days since 1970-01-01 * STEPS_A_DAY + order of acceptance within the day``, the order counting from
1. Only the database assigns a step, when a change set is accepted.
"""

from __future__ import annotations

import datetime as dt

STEPS_A_DAY = 65536
_EPOCH = dt.date(1970, 1, 1).toordinal()


def step_of(day: dt.date, order: int) -> int:
    """The step of the ``order``-th change set (from 1) that happened on ``day``.

    >>> step_of(dt.date(1970, 1, 2), 3)
    65539
    """
    if not 1 <= order < STEPS_A_DAY:
        raise ValueError(f"order {order} of a day: expected 1 to {STEPS_A_DAY - 1}")
    return first_step_of(day) + order


def first_step_of(day: dt.date) -> int:
    """A step before every change of ``day`` and after every change of the days before."""
    return (day.toordinal() - _EPOCH) * STEPS_A_DAY


def first_step_after(day: dt.date) -> int:
    """Facts "as of ``day``" are those whose step is below this one."""
    return first_step_of(day) + STEPS_A_DAY


def last_step_of(day: dt.date) -> int:
    """After every change of ``day``: "as of ``day``" is as of this step.

    >>> last_step_of(dt.date(2026, 3, 1)) + 1 == first_step_of(dt.date(2026, 3, 2))
    True
    """
    return first_step_after(day) - 1


def day_of(step: int) -> dt.date:
    """The day on which the change set of ``step`` happened.

    >>> day_of(step_of(dt.date(2026, 3, 1), 7))
    datetime.date(2026, 3, 1)
    """
    return dt.date.fromordinal(step // STEPS_A_DAY + _EPOCH)
