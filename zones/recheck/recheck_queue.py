"""Which sites are to be recomputed, when, and by whom: marks, due dates and claims.

A mark says "this site's load must be recomputed". Triggers write marks with the record; here are the other
ways in and out. Time is an input too: a due date becomes a mark on the day on which a site's result changes
with no write.

A claim says who recomputes a site now: a session advisory lock, which even SIGKILL frees. It is held by the
database connection and not by a transaction, since the transaction that computes must begin after the claim:
one begun before might not see what the last holder wrote. A pooler between us and the database must therefore
keep sessions.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from django.db import DatabaseError, connection

from sites.changes.steps import day_of
from sites.models.changes import Mark
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.plant import FOREVER
from zones.models import DueDate
from zones.recheck.checked import Checked, Due


class MarkRead(NamedTuple):
    id: int
    site_id: int


def mark_sites(site_ids: Iterable[int], *, reason: str, lane: Mark.Lane = Mark.Lane.INTERACTIVE) -> None:
    """Have sites recomputed for another reason than a change of their record, in at most 40 characters."""
    Mark.objects.bulk_create(Mark(site_id=site_id, lane=lane, reason=reason) for site_id in site_ids)


def read_marks(site_ids: Sequence[int]) -> list[MarkRead]:
    """The marks of these sites that the transaction sees."""
    rows = Mark.objects.filter(site_id__in=site_ids).values_list("id", "site_id")
    return [MarkRead._make(row) for row in rows]


def delete_marks(marks: Iterable[MarkRead]) -> None:
    """Delete exactly these: one that was written since stays, and its site is recomputed again."""
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM mark WHERE id = ANY(%s::bigint[])", [[mark.id for mark in marks]])


def set_aside(marks: Iterable[MarkRead]) -> None:
    """Keep the marks of a site that could not be computed, out of the way until it is tried again. A mark
    that is written meanwhile is taken up at once: it may be the repair."""
    Mark.objects.filter(pk__in=[mark.id for mark in marks]).update(lane=Mark.Lane.SET_ASIDE)


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


CLAIM_KEYS = 0x5AED << 40
"""Advisory locks are one space of 64-bit keys a database: a claim's is this plus the id of its site."""

# Steps from site to site along the index (lane, site_id): the marks of a site are not read one by one
_NEXT_MARKED = """
WITH RECURSIVE marked AS (
    (SELECT site_id FROM mark WHERE lane = %(lane)s AND site_id > %(after)s ORDER BY site_id LIMIT 1)
    UNION ALL
    SELECT (
        SELECT m.site_id FROM mark m WHERE m.lane = %(lane)s AND m.site_id > marked.site_id
        ORDER BY m.site_id LIMIT 1
    ) FROM marked WHERE marked.site_id IS NOT NULL
)
SELECT site_id FROM marked WHERE site_id IS NOT NULL LIMIT %(count)s
"""


@contextmanager
def claimed(lane: Mark.Lane, count: int) -> Iterator[list[int]]:
    """Up to ``count`` sites with marks in ``lane`` that nobody else is at, claimed until the block ends.

    1. Look for marked sites, in the order of their ids, past those already looked at.
    2. Try to lock each; one that is locked is another's. Its marks may be gone by now: whoever recomputes
       reads the marks again, after the lock.
    3. Repeat until there are enough, or no more. Nobody ever waits, so nobody waits in a circle.
    """
    with _released() as held:
        after = 0
        while len(held) < count:
            with connection.cursor() as cursor:
                wanted = count - len(held)
                cursor.execute(_NEXT_MARKED, {"lane": lane, "after": after, "count": wanted})
                marked = [site_id for (site_id,) in cursor.fetchall()]
                if marked:
                    cursor.execute(
                        "SELECT s FROM unnest(%s::bigint[]) AS s WHERE pg_try_advisory_lock(%s + s)",
                        [marked, CLAIM_KEYS],
                    )
                    held += [site_id for (site_id,) in cursor.fetchall()]
            if len(marked) < wanted:
                break
            after = marked[-1]
        yield list(held)


@contextmanager
def claimed_sites(site_ids: Sequence[int]) -> Iterator[list[int]]:
    """These sites, claimed until the block ends; waits for whoever is at one of them.

    Taken in the order of their ids, and whoever waits holds only lower ones: nobody waits in a circle.
    """
    with _released() as held:
        with connection.cursor() as cursor:
            for site_id in sorted(set(site_ids)):
                cursor.execute("SELECT pg_advisory_lock(%s)", [CLAIM_KEYS + site_id])
                held.append(site_id)
        yield list(held)


@contextmanager
def _released() -> Iterator[list[int]]:
    """What is put into the list is let go at the end, whatever happened."""
    held: list[int] = []
    try:
        yield held
    finally:
        try:
            if held:
                with connection.cursor() as cursor:
                    cursor.execute(
                        "SELECT pg_advisory_unlock(%s + s) FROM unnest(%s::bigint[]) AS s", [CLAIM_KEYS, held]
                    )
        except DatabaseError:
            connection.close()  # the end of a session frees its locks


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
