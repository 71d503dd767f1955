"""When a response is due, worked by hand: across a night, a weekend, a holiday and a clock change."""

from __future__ import annotations

import datetime as dt
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from sites.models import Contract
from sites.response import hours_text, respond_by

LISBON = ZoneInfo("Europe/Lisbon")
NEW_YORK = ZoneInfo("America/New_York")
WEEK = ["monday", "tuesday", "wednesday", "thursday", "friday"]


def _contract(hours: int | None, **said: Any) -> Contract:
    working = {"cover_hours": "working_hours", "working_days": WEEK, "working_from": "08:00"}
    return Contract(response_hours=hours, **{**working, "working_until": "17:00", **said})


def _utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("hours", "since", "due"),
    [
        # Lisbon keeps UTC in winter. Tuesday 10:00 + 4 h
        (4, "2026-11-24 10:00", "2026-11-24 14:00"),
        # Tuesday 15:00: 2 h until 17:00, the other 2 from Wednesday 08:00
        (4, "2026-11-24 15:00", "2026-11-25 10:00"),
        # opened in the night: counts from 08:00
        (4, "2026-11-24 23:30", "2026-11-25 12:00"),
        (4, "2026-11-25 05:00", "2026-11-25 12:00"),
        # Friday 16:00: 1 h, then Monday from 08:00 another 3
        (4, "2026-11-27 16:00", "2026-11-30 11:00"),
        # Monday 30 Nov 15:00: 2 h, Tuesday 1 Dec is a holiday, Wednesday from 08:00
        (4, "2026-11-30 15:00", "2026-12-02 10:00"),
        # 24 h are 9 + 9 + 6: Tuesday 08:00 to Thursday 14:00
        (24, "2026-11-24 08:00", "2026-11-26 14:00"),
        # exactly until the end of the day
        (2, "2026-11-24 15:00", "2026-11-24 17:00"),
    ],
)
def test_response_hours_count_in_working_hours_only(hours: int, since: str, due: str) -> None:
    contract = _contract(hours, holidays=[dt.date(2026, 12, 1)])
    assert respond_by(contract, _utc(since), LISBON) == _utc(due)


def test_working_hours_are_those_of_the_sites_clock() -> None:
    # New York keeps UTC-5 on 24 November: 08:00 there is 13:00 UTC
    assert respond_by(_contract(4), _utc("2026-11-24 06:00"), NEW_YORK) == _utc("2026-11-24 17:00")
    # Tuesday 20:00 there is Wednesday 01:00 UTC: two hours are left, until 22:00, which is 03:00 UTC
    late = _contract(2, working_until="22:00")
    assert respond_by(late, _utc("2026-11-25 01:00"), NEW_YORK) == _utc("2026-11-25 03:00")


def test_the_days_end_counts_after_a_clock_change_between_two_days() -> None:
    # Friday 23 Oct 2026, 16:00 in Lisbon is 15:00 UTC (summer time): 1 h. Clocks go back on Sunday, so Monday
    # 08:00 is 08:00 UTC: another 3 h
    assert respond_by(_contract(4), _utc("2026-10-23 15:00"), LISBON) == _utc("2026-10-26 11:00")


@pytest.mark.parametrize(
    ("day", "hours_of_that_day"),
    [
        # New York: 00:00 to 24:00 has 23 h on 8 March 2026, 25 h on 1 November 2026
        ("2026-03-08", 23),
        ("2026-11-01", 25),
    ],
)
def test_a_clock_change_within_the_cover_gives_that_day_its_real_hours(
    day: str, hours_of_that_day: int
) -> None:
    contract = _contract(
        hours_of_that_day + 1, working_days=[*WEEK, "saturday", "sunday"], working_from="00:00",
        working_until="24:00",
    )  # fmt: skip
    midnight = dt.datetime.fromisoformat(day).replace(tzinfo=NEW_YORK)
    # one hour into the next day, by the site's clock
    due = (dt.datetime.fromisoformat(day) + dt.timedelta(days=1, hours=1)).replace(tzinfo=NEW_YORK)
    assert respond_by(contract, midnight, NEW_YORK) == due


@pytest.mark.parametrize("cover", ["around_the_clock", None])
def test_hours_around_the_clock_are_elapsed_time(cover: str | None) -> None:
    # Saturday 24 Oct 22:00 UTC + 8 h, across the clock change of Lisbon
    contract = _contract(8, cover_hours=cover)
    assert respond_by(contract, _utc("2026-10-24 22:00"), LISBON) == _utc("2026-10-25 06:00")


def test_without_agreed_hours_nothing_is_due() -> None:
    assert respond_by(_contract(None), _utc("2026-11-24 10:00"), LISBON) is None
    assert hours_text(_contract(None)) == "no response time is agreed"


def test_hours_that_the_calendar_never_holds_have_no_time() -> None:
    # one minute a week: 8760 h would take ten thousand years
    contract = _contract(8760, working_days=["monday"], working_from="08:00", working_until="08:01")
    assert respond_by(contract, _utc("2026-11-24 10:00"), LISBON) is None


def test_unrecorded_hours_of_cover_are_said() -> None:
    assert hours_text(_contract(4, cover_hours=None)).endswith("since hours of cover are not recorded")
    assert hours_text(_contract(1)) == "1 hour, counted in working hours"
