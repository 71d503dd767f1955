"""Time is an input: the days on which a site's result changes with no write, and when they begin."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from zoneinfo import ZoneInfo

import numpy as np
from django.db import connection

from sites.changes.steps import day_of
from zones.electrical.plant import FOREVER
from zones.models import DueDate
from zones.recheck.checked import Checked, Due

FUTURE_FACT = "dated in the future"


def begins_at(day: dt.date, zone: ZoneInfo) -> dt.datetime:
    """The instant at which ``day`` begins in a time zone. Where the clocks skip midnight, it is when they do.

    >>> begins_at(dt.date(2026, 3, 1), ZoneInfo("Europe/Lisbon")).isoformat()
    '2026-03-01T00:00:00+00:00'
    """
    return dt.datetime.combine(day, dt.time.min, zone).astimezone(dt.UTC)


def future_facts(checked: Checked) -> list[Due]:
    """Of each site the first day after the asked one on which a row begins or ends to hold."""
    plant, asked = checked.plant, np.array(checked.step, np.int64)
    first = np.full(len(asked), FOREVER)
    for table in plant.tables.values():
        site = plant.group_site[table.group]
        for edge in (table.begin, table.end):
            np.minimum.at(first, site, np.where(edge > asked[site], edge, FOREVER))
    return [
        Due(site_id, day_of(int(step)), FUTURE_FACT)
        for site_id, step in zip(checked.site_id, first, strict=True)
        if step != FOREVER
    ]


def write_due_dates(due: Iterable[Due], zones: Mapping[int, ZoneInfo], now: dt.datetime) -> None:
    """Make the due dates of the sites of ``zones`` those of ``due``; what is past is left out.

    A date that another transaction wrote since the snapshot is not seen, and so stays.
    """
    wanted = {(each.site_id, begins_at(each.day, zones[each.site_id]), each.reason) for each in due}
    wanted = {each for each in wanted if each[1] > now}
    known = {
        (site_id, at, reason): id_
        for id_, site_id, at, reason in DueDate.objects.filter(site_id__in=list(zones)).values_list(
            "id", "site_id", "at", "reason"
        )
    }
    gone = [id_ for key, id_ in known.items() if key not in wanted]
    new = sorted(wanted - known.keys())
    with connection.cursor() as cursor:
        if gone:
            cursor.execute("DELETE FROM due_date WHERE id = ANY(%s::bigint[])", [gone])
        if new:
            cursor.execute(
                """INSERT INTO due_date (site_id, at, reason)
                   SELECT * FROM unnest(%s::bigint[], %s::timestamptz[], %s::text[])
                   ON CONFLICT DO NOTHING""",
                [list(column) for column in zip(*new, strict=True)],
            )
