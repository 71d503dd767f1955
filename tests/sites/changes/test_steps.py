from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sites.changes.steps import STEPS_A_DAY, day_of, first_step_after, step_of

days = st.dates(min_value=dt.date(1970, 1, 1), max_value=dt.date(2200, 1, 1))


@given(day=days, order=st.integers(1, STEPS_A_DAY - 1))
def test_a_step_is_of_its_day_and_no_other(day: dt.date, order: int) -> None:
    step = step_of(day, order)
    assert day_of(step) == day
    assert step < first_step_after(day) <= step_of(day + dt.timedelta(days=1), 1)


@pytest.mark.parametrize("order", [0, -1, STEPS_A_DAY])
def test_an_order_beyond_a_day_is_no_step(order: int) -> None:
    with pytest.raises(ValueError, match="expected 1 to 65535"):
        step_of(dt.date(2025, 1, 1), order)
