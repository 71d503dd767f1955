"""Rules of visits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

from sites.changes.errors import Problem


def visited_by_then(visited_on: dt.date, recorded_on: dt.date | None) -> Iterator[Problem]:
    """A visit is not of a day after the change that recorded it. ``recorded_on``: None: today."""
    if recorded_on is not None and visited_on > recorded_on:
        detail = f"Visited on {visited_on}, after the day of this change ({recorded_on})."
        yield Problem(detail, "invalid", "/visited_on")
