"""Which sites are to be recomputed, and when: marks and due dates.

A mark says "this site's load must be recomputed". Triggers write marks with the record; here are the other
ways in and out. Time is an input too: a due date becomes a mark on the day on which a site's result changes
with no write.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from django.db import connection

from sites.changes.steps import day_of
from sites.models.changes import Mark
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.plant import FOREVER
from zones.recheck.checked import Checked, Due


class MarkedSite(NamedTuple):
    """A site to be recomputed. marks: their ids. time_zone: None: the site is deleted. read_at: by the clock
    of the database: one for all processes, and the one that due dates are compared with."""

    id: int
    marks: list[int]
    time_zone: str | None
    surveyed_on: dt.date | None
    commissioned_on: dt.date | None
    solver_version: int | None
    checked_at: dt.datetime | None
    read_at: dt.datetime


def mark_sites(site_ids: Iterable[int], *, reason: str, lane: Mark.Lane = Mark.Lane.INTERACTIVE) -> None:
    """Have sites recomputed for another reason than a change of their record, in at most 40 characters."""
    Mark.objects.bulk_create(Mark(site_id=site_id, lane=lane, reason=reason) for site_id in site_ids)


def marked_sites(site_ids: Sequence[int]) -> list[MarkedSite]:
    """The sites among these with marks that the transaction sees, in the order of their ids."""
    # The ids are said three times: a join alone may read all sites to find a few
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT mark.site_id, array_agg(mark.id), time_zone, surveyed_on, commissioned_on,
                   solver_version, checked_at, clock_timestamp()
               FROM mark LEFT JOIN site ON site.id = mark.site_id AND site.id = ANY(%(ids)s)
                   LEFT JOIN site_check
                   ON site_check.site_id = mark.site_id AND site_check.site_id = ANY(%(ids)s)
               WHERE mark.site_id = ANY(%(ids)s)
               GROUP BY mark.site_id, site.id, site_check.site_id ORDER BY mark.site_id""",
            {"ids": list(site_ids)},
        )
        return [MarkedSite._make(row) for row in cursor.fetchall()]


def delete_marks(mark_ids: Sequence[int]) -> None:
    """Delete exactly these: one that was written since stays, and its site is recomputed again."""
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM mark WHERE id = ANY(%s::bigint[])", [list(mark_ids)])


def set_aside(mark_ids: Sequence[int]) -> None:
    """Keep the marks of a site that could not be computed, out of the way until it is tried again. A mark
    that is written meanwhile is taken up at once: it may be the repair."""
    Mark.objects.filter(pk__in=mark_ids).update(lane=Mark.Lane.SET_ASIDE)


def raise_due(now: dt.datetime | None = None) -> None:
    """Turn what is due into marks: due dates whose hour has come, and sites that are to be tried again.

    now: None: the clock of the database, which is one for all processes. Two sweeps at once: the one that
    deletes a due date writes its mark, in the same statement; the other finds it gone.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            """WITH due AS (
                   DELETE FROM due_date WHERE at <= coalesce(%(now)s, now()) RETURNING site_id, reason
               ), raised AS (
                   INSERT INTO mark (site_id, lane, reason) SELECT DISTINCT site_id, %(bulk)s, reason FROM due
               )
               UPDATE mark SET lane = %(bulk)s FROM site_check
               WHERE mark.lane = %(aside)s AND site_check.site_id = mark.site_id
                 AND site_check.next_attempt_at <= coalesce(%(now)s, now())""",
            {"now": now, "bulk": Mark.Lane.BULK, "aside": Mark.Lane.SET_ASIDE},
        )


def mark_outdated() -> int:
    """Mark the sites whose figures an older solver made, in the bulk lane. Returns how many.

    Only older: where two versions of the service run side by side for a while, the old one leaves alone what
    the new one made. Two at once may mark a site twice, which costs nothing: its marks are read together.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            """INSERT INTO mark (site_id, lane, reason)
               SELECT site_id, %s, 'newer solver' FROM site_check
               WHERE solver_version < %s AND NOT EXISTS (
                   SELECT FROM mark WHERE mark.site_id = site_check.site_id
               )""",
            [Mark.Lane.BULK, SOLVER_VERSION],
        )
        return int(cursor.rowcount)


FUTURE_FACT = "dated in the future"


def begins_at(day: dt.date, zone: ZoneInfo) -> dt.datetime:
    """The instant at which ``day`` begins in a time zone. Where the clocks skip midnight, it is when they do.

    >>> begins_at(dt.date(2026, 3, 1), ZoneInfo("Europe/Lisbon")).isoformat()
    '2026-03-01T00:00:00+00:00'
    """
    return dt.datetime.combine(day, dt.time.min, zone).astimezone(dt.UTC)


def future_facts(checked: Checked) -> list[Due]:
    """For each site the first day after the asked one on which a row starts or stops to hold."""
    plant, asked = checked.plant, checked.members.step
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


def write_due_dates(due: Sequence[Due], zones: Mapping[int, ZoneInfo], now: dt.datetime) -> None:
    """Make the due dates of the sites of ``zones`` those of ``due``; what is past is left out.

    A date that another transaction wrote since the snapshot is not seen, and so stays.
    """
    with connection.cursor() as cursor:
        cursor.execute(
            """WITH wanted AS (
                   SELECT DISTINCT * FROM unnest(%s::bigint[], %s::timestamptz[], %s::text[])
                       AS due (site_id, at, reason)
                   WHERE at > %s
               ), gone AS (
                   DELETE FROM due_date d WHERE site_id = ANY(%s) AND NOT EXISTS (
                       SELECT FROM wanted w WHERE (w.site_id, w.at, w.reason) = (d.site_id, d.at, d.reason)
                   )
               )
               INSERT INTO due_date (site_id, at, reason)
               SELECT * FROM wanted w WHERE NOT EXISTS (
                   SELECT FROM due_date d WHERE (w.site_id, w.at, w.reason) = (d.site_id, d.at, d.reason)
               ) ORDER BY site_id, at, reason
               ON CONFLICT DO NOTHING""",
            [
                [each.site_id for each in due],
                [begins_at(each.day, zones[each.site_id]) for each in due],
                [each.reason for each in due],
                now,
                list(zones),
            ],
        )
