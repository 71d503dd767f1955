"""Tests that are due, as a calendar (iCalendar, RFC 5545).

One event a site and day, as a person plans visits and as overdue tests are cases: a site of thirty runs that
were proven on one day is one entry. It is called by its site and the first of its runs (the lowest id): a run
is in one event only, so the name is unique, and after all runs were proven again the same event moves to its
next day. Runs that part from the others become an event of their own. What is done is not in the next answer.

Nothing in it is a secret: names of sites, runs and closets, the address of the site, days.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Sequence
from typing import Final

from icalendar import Calendar, Event

from sites.access.scope import Scope, scoped
from sites.models import Site
from sites.wording import counted
from zones.models import DueTest

MOST_RUNS: Final = 10_000
"""Runs of a calendar, the first due first: what a program reads every few hours must end somewhere."""
_NAMED: Final = 40
"""Runs that the text of an event names; the rest are counted."""


def calendar_of(scope: Scope, name: str, address_of: Callable[[Site], str]) -> bytes:
    """The due tests of the sites in a scope. One query. address_of: where a person finds a site."""
    rows = scoped(DueTest, scope).select_related("site", "run__block__closet").order_by("due_on", "id")
    together: dict[tuple[int, dt.date], list[DueTest]] = defaultdict(list)
    # a run that leaves an event changes it too, and its own row says when
    changed_at: dict[int, dt.datetime] = {}
    for row in rows[:MOST_RUNS]:
        together[row.site_id, row.due_on].append(row)
        changed_at[row.site_id] = max(row.changed_at, changed_at.get(row.site_id, row.changed_at))
    calendar = Calendar()
    calendar.add("prodid", "-//Zonebook//due tests//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", name)
    for due in together.values():
        due.sort(key=lambda one: one.run_id)
        calendar.add_component(_event(due, changed_at[due[0].site_id], address_of))
    body: bytes = calendar.to_ical()
    return body


def _event(due: Sequence[DueTest], changed_at: dt.datetime, address_of: Callable[[Site], str]) -> Event:
    """due: of one site and day, by run. changed_at: when any due test of the site last changed."""
    first, site = due[0], due[0].site
    event = Event()
    event.add("uid", f"site-{first.site_id}-run-{first.run_id}-due@zonebook")
    event.add("summary", f"Test due: {counted(len(due), 'run')}, {site.name}")
    event.add("dtstart", first.due_on)
    event.add("dtend", first.due_on + dt.timedelta(days=1))
    event.add("dtstamp", changed_at)
    event.add("last-modified", changed_at)
    # grows with every change, which is what a program compares
    event.add("sequence", int((changed_at - _LONG_AGO).total_seconds()))
    event.add("location", ", ".join(filter(None, (site.address, site.city))) or site.name)
    event.add("description", "\n".join(_lines(due)))
    event.add("url", address_of(site))
    event.add("transp", "TRANSPARENT")  # a day on which something is due is not a day on which one is busy
    return event


_LONG_AGO: Final = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)


def _lines(due: Sequence[DueTest]) -> list[str]:
    lines = [f"{one.run.name} ({one.run.block.closet.name}): {_last(one)}" for one in due[:_NAMED]]
    more = len(due) - _NAMED
    return [*lines, f"and {counted(more, 'more run')}"] if more > 0 else lines


def _last(one: DueTest) -> str:
    if one.proven_on is None:
        return "no complete proof"
    return f"{'surveyed' if one.surveyed else 'last proven'} on {one.proven_on}"
