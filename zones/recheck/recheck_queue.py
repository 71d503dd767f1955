"""Marks: "this site's load must be recomputed". Triggers write them with the record; here are the other ways
in and out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from django.db import connection

from sites.models.changes import Mark
from zones.electrical.evaluate import SOLVER_VERSION


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
