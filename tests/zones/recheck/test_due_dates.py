"""When a day begins, in the time zone of a site."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from zones.recheck.recheck_queue import begins_at


@pytest.mark.parametrize(
    ("day", "zone", "instant"),
    [
        ("2026-07-01", "UTC", "2026-07-01T00:00:00"),
        ("2026-07-01", "Europe/Lisbon", "2026-06-30T23:00:00"),
        ("2026-07-01", "America/Vancouver", "2026-07-01T07:00:00"),
        ("2026-07-01", "Pacific/Auckland", "2026-06-30T12:00:00"),
        # The clocks go from 00:00 to 01:00, and from 01:00 to 00:00: IANA time zone database
        ("2021-03-28", "Asia/Beirut", "2021-03-27T22:00:00"),
        ("2024-11-03", "America/Havana", "2024-11-03T04:00:00"),
    ],
)
def test_the_instant_at_which_a_day_begins(day: str, zone: str, instant: str) -> None:
    begins = begins_at(dt.date.fromisoformat(day), ZoneInfo(zone))
    assert begins == dt.datetime.fromisoformat(instant).replace(tzinfo=dt.UTC)
    assert begins.astimezone(ZoneInfo(zone)).date().isoformat() == day
    before = (begins - dt.timedelta(microseconds=1)).astimezone(ZoneInfo(zone)).date()
    assert before < dt.date.fromisoformat(day)
