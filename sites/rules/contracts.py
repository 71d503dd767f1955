"""The rule of a contract's calendar: working hours are stated in full."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sites.changes.errors import Problem
from sites.models import Contract


def working_hours_stated(values: Mapping[str, Any]) -> Iterator[Problem]:
    """Cover in working hours says on which days, from when, and until when on the same day."""
    if values.get("cover_hours") != Contract.CoverHours.WORKING_HOURS:
        return
    for name, said in (
        ("working_days", "on which days of the week, such as monday"),
        ("working_from", "from what time, such as 08:00"),
        ("working_until", "until what time, such as 17:30"),
    ):
        if not values.get(name):
            yield Problem(f"Cover in working hours says {said}: give {name}.", "required", f"/{name}")
    begin, end = values.get("working_from"), values.get("working_until")
    if begin and end and end <= begin:
        detail = f"working_until, {end}, must lie after working_from, {begin}, on the same day."
        yield Problem(detail, "invalid", "/working_until")
