"""How readings move against what was expected. Least squares by hand: the slope is the sum of (t − mean t) ·
difference over the sum of (t − mean t)²."""

from __future__ import annotations

import datetime as dt
import random

import pytest
from scipy import stats

from zones.loads.trends import ExpectedOnDay, ReadingOnDay, change_of

FOUR_YEARS = 1461
"""Days: 4 · 365.25."""


def reading(day: int, value: float, likely: float | None = 24.0, error: float | None = 0.24) -> ReadingOnDay:
    # Their low and high move otherwise than the likely value
    expected = None if likely is None else ExpectedOnDay(0.9 * likely, likely, 1.2 * likely)
    taken_on = dt.date(2014, 5, 6) + dt.timedelta(days=day)
    return ReadingOnDay(1, taken_on, None, value, "as_expected", expected, error, 0.0)


def test_the_change_is_that_of_the_difference_from_what_was_expected() -> None:
    """Differences 0, −0.4 and −1.6 V, as a speaker was added after the first; t = −4, 0 and 4 years, so
    4 · (−1.6) / 32 = −0.2 V a year. Of the readings themselves it would be 4 · (−2.0) / 32 = −0.25 V. The
    instruments: (4 · 0.24 + 4 · 0.2) / 32 = 0.055 V."""
    found = change_of(
        [
            reading(0, 24.0),
            reading(FOUR_YEARS, 23.2, 23.6),
            reading(2 * FOUR_YEARS, 22.0, 23.6, error=0.2),
        ]
    )
    assert found == pytest.approx((-0.2, 0.055))


def test_readings_at_odd_times_count_by_their_days() -> None:
    """t = 0, 0, 4 and 8 years, mean 3: −3, −3, 1 and 5, whose squares are 44. Differences 0.3, 0.1, 0 and
    −0.8 V: (−0.9 − 0.3 + 0 − 4) / 44 = −0.11818 V a year. Errors of 0.22 V: 12 · 0.22 / 44 = 0.06 V."""
    values = [(0, 24.3), (0, 24.1), (FOUR_YEARS, 24.0), (2 * FOUR_YEARS, 23.2)]
    found = change_of(reading(day, value, error=0.22) for day, value in values)
    assert found == pytest.approx((-5.2 / 44, 0.06))


def test_the_line_is_that_of_scipy() -> None:
    """`scipy.stats.linregress`, over years of 365.25 days."""
    rng = random.Random(20)
    for _ in range(20):
        days = sorted([*rng.sample(range(3000), rng.randint(3, 9)), 4000])
        differs = [rng.uniform(-2, 1) for _ in days]
        found = change_of(reading(day, 24.0 + one) for day, one in zip(days, differs, strict=True))
        assert found is not None
        assert found[0] == pytest.approx(stats.linregress([day / 365.25 for day in days], differs).slope)


def test_what_was_not_compared_counts_for_nothing() -> None:
    read = [reading(0, 24.0), reading(FOUR_YEARS, 23.6), reading(2 * FOUR_YEARS, 23.2)]
    found = change_of([read[0], reading(100, 3.0, likely=None, error=None), *read[1:]])
    assert found == change_of(read) == pytest.approx((-0.1, 0.06))


def test_the_year_is_one_between_readings_that_were_compared() -> None:
    """The last one, four years later, is not."""
    read = [reading(day, 23.0) for day in (0, 10, 364)]
    assert change_of([*read, reading(FOUR_YEARS, 23.0, likely=None)]) is None


@pytest.mark.parametrize(("days", "told"), [((0, 365), False), ((0, 10, 364), False), ((0, 10, 365), True)])
def test_a_change_takes_three_readings_and_a_year(days: tuple[int, ...], told: bool) -> None:
    assert (change_of(reading(day, 23.0) for day in days) is not None) is told
