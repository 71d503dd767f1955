"""The rule of days: what has not happened yet is planned."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from sites.changes.errors import Problem


def day_has_come(happened_on: dt.date, today: dt.date, *, planned: bool) -> Iterator[Problem]:
    """A change of a day to come says that it is planned. ``today``: at its site."""
    if happened_on > today and not planned:
        detail = f"{happened_on} is after today at the site, {today}: say that it is planned, or wait."
        yield Problem(detail, "invalid", "/happened_on")
