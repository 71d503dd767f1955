"""When a response is due: the response hours of a contract, counted by its calendar in a site's time zone.

An hour is an hour of elapsed time: where a clock change falls into the hours of cover, that day has one
more or one less. Pure: no database here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from typing import Final
from zoneinfo import ZoneInfo

from sites.models import Contract
from sites.wording import capital, counted, listed

MOST_DAYS: Final = 3660
"""Days ahead that are searched; a response that is due later has no time."""
_WEEK: Final = list(Contract.Weekday)


def respond_by(contract: Contract, since: dt.datetime, zone: ZoneInfo) -> dt.datetime | None:
    """The instant at which the response hours since an instant are used up; None: no hours are agreed, or
    the calendar does not hold them within ten years."""
    if contract.response_hours is None:
        return None
    since, left = since.astimezone(dt.UTC), dt.timedelta(hours=contract.response_hours)
    if contract.cover_hours != Contract.CoverHours.WORKING_HOURS:
        return since + left
    day, days, holidays = since.astimezone(zone).date(), set(contract.working_days), set(contract.holidays)
    for _ in range(MOST_DAYS):
        if _WEEK[day.weekday()] in days and day not in holidays:
            begin = max(_at(day, contract.working_from, zone), since)
            end = _at(day, contract.working_until, zone)
            if begin + left <= end:
                return begin + left
            left -= max(end - begin, dt.timedelta(0))
        day += dt.timedelta(days=1)
    return None


def _at(day: dt.date, time: str, zone: ZoneInfo) -> dt.datetime:
    """The instant of a time of day; one that a clock change skips or repeats is taken before the change."""
    hours, minutes = map(int, time.split(":"))
    at = dt.datetime.combine(day + dt.timedelta(days=hours // 24), dt.time(hours % 24, minutes), tzinfo=zone)
    return at.astimezone(dt.UTC)


def agreed_text(contract: Contract) -> str:
    """Response hours and their calendar: ``8 hours, counted in working hours: Monday to Saturday, 06:00 to
    20:00 by the clock of the site, except on 6 holidays.``"""
    hours = capital(hours_text(contract))
    if contract.response_hours is None or contract.cover_hours != Contract.CoverHours.WORKING_HOURS:
        return f"{hours}."
    holidays = len(contract.holidays)
    without = f", except on {counted(holidays, 'holiday')}" if holidays else ""
    clock = f"{contract.working_from} to {contract.working_until} by the clock of the site"
    return f"{hours}: {_days_text(contract.working_days)}, {clock}{without}."


def _days_text(days: Collection[str]) -> str:
    """``Monday to Friday``; days that do not follow each other are listed."""
    places = sorted(_WEEK.index(Contract.Weekday(day)) for day in days)
    names = [_WEEK[place].label for place in places]
    if len(names) > 2 and places == list(range(places[0], places[-1] + 1)):
        return f"{names[0]} to {names[-1]}"
    return listed(names)


def hours_text(contract: Contract) -> str:
    """``8 hours in working hours``, as a contract agrees them."""
    if contract.response_hours is None:
        return "no response time is agreed"
    hours = counted(contract.response_hours, "hour")
    if contract.cover_hours is None:
        return f"{hours}, counted around the clock since hours of cover are not recorded"
    return f"{hours}, counted {Contract.CoverHours(contract.cover_hours).label}"
