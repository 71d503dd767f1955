"""The years a fleet's history spans, as days since 1970-01-01: fixed, so that one seed is one fleet."""

from __future__ import annotations

import datetime as dt
from typing import Final

_EPOCH = dt.date(1970, 1, 1)


def day_number(year: int, month: int, day: int) -> int:
    return (dt.date(year, month, day) - _EPOCH).days


def date_of(number: int) -> dt.date:
    return _EPOCH + dt.timedelta(days=int(number))


BUILT_FIRST: Final = day_number(2014, 3, 1)
BUILT_LAST: Final = day_number(2022, 11, 1)
LAST: Final = day_number(2026, 10, 31)
