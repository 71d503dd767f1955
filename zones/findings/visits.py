"""Visits, with the tests and changes of their day, as the sheet of a closet, the report of a contract and the
closing text of a ticket tell them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection

from sites.models.changes import ChangeSet
from sites.wording import counted
from zones.models.test_kinds import KINDS


@dataclass(frozen=True)
class VisitDone:
    """tests: those that count today; failed, outside: of them, outside what is expected. changes: change sets
    of that day that changed more than tests, under its job; of a visit without one, by its technician. done:
    all of it in words."""

    id: int
    closet_id: int
    closet: str
    visited_on: dt.date
    technician: str
    job_reference: str
    tests: int
    failed: int
    outside: int
    changes: int
    done: str

    @property
    def sentence(self) -> str:
        """``Visit on 2026-05-12 to IDF-2 by Aoife Ní Riain, job W26-0512: 14 tests, 1 failed; 2 changes.``"""
        job = f", job {self.job_reference}" if self.job_reference else ""
        return f"Visit on {self.visited_on} to {self.closet} by {self.technician}{job}: {self.done}."


_FAILED: Final = " OR ".join(
    ["r.passed IS FALSE"]
    + [
        f"r.kind = '{kind}' AND r.value < {entry.measured.passes_from}"
        for kind, entry in KINDS.items()
        if entry.measured is not None and entry.measured.passes_from is not None
    ]
)
_OF_ITS_DAY: Final = f"""s.site_id = v.site_id AND s.happened_on = v.visited_on
    AND s.state = '{ChangeSet.State.ACCEPTED}'
    AND upper(CASE WHEN v.job_reference <> '' THEN s.job_reference
            WHEN s.done_by <> '' THEN s.done_by ELSE s.actor END)
        = upper(CASE WHEN v.job_reference <> '' THEN v.job_reference ELSE v.technician END)"""
_DONE: Final = f"""
    SELECT v.asked, v.id, v.closet_id, c.name, v.visited_on, v.technician, v.job_reference,
        t.made, t.failed, t.outside,
        (SELECT count(*) FROM change_set s WHERE {_OF_ITS_DAY} AND EXISTS (
            SELECT FROM change w WHERE w.change_set_id = s.id AND w.table_name NOT IN ('reading', 'visit')))
    FROM ({{visits}}) v JOIN closet c ON c.id = v.closet_id
    CROSS JOIN LATERAL (
        SELECT count(*) AS made, count(*) FILTER (WHERE {_FAILED}) AS failed,
            count(*) FILTER (WHERE e.outside > 0) AS outside
        FROM reading r LEFT JOIN test_expected e ON e.test_id = r.id
        WHERE r.site_id = v.site_id AND r.visit_id = v.id
            AND NOT EXISTS (SELECT FROM reading newer WHERE newer.supersedes_id = r.id)) t
    ORDER BY v.visited_on DESC, v.id DESC"""  # noqa: S608 - our own names
_OF_IDS: Final = "SELECT v.id AS asked, v.* FROM visit v WHERE v.id = ANY(%s::bigint[])"
_OF_CLOSET: Final = """SELECT v.id AS asked, v.* FROM visit v
    WHERE v.site_id = %s AND v.closet_id = %s AND v.visited_on <= %s
    ORDER BY v.visited_on DESC, v.id DESC LIMIT %s"""
_OF_TESTS: Final = """SELECT r.visit_id FROM reading r
    WHERE r.site_id = s.site_id AND r.change_set_id = s.id AND r.visit_id IS NOT NULL"""
# Tests name their visit; they may have been recorded on a later day
_OF_CHANGE_SETS: Final = f"""SELECT s.id AS asked, v.* FROM change_set s JOIN visit v ON v.site_id = s.site_id
    WHERE s.id = ANY(%s::bigint[])
        AND (v.id IN ({_OF_TESTS}) OR {_OF_ITS_DAY} AND NOT EXISTS ({_OF_TESTS}))"""  # noqa: S608 - our own names


def done_on(visit_ids: Collection[int]) -> dict[int, VisitDone]:
    """By id, what was done on some visits. One query."""
    return dict(_read(_OF_IDS, [list(visit_ids)]))


def last_visits(site_id: int, closet_id: int, as_of: dt.date, most: int) -> tuple[VisitDone, ...]:
    """The last visits to a closet until the end of a day, the latest first. One query."""
    return tuple(one for _, one in _read(_OF_CLOSET, [site_id, closet_id, as_of, most]))


def visits_behind(change_set_ids: Collection[int]) -> Mapping[int, list[VisitDone]]:
    """By change set, the visits on which it was done: those that its tests name, else those of its day and
    job. One query."""
    found: defaultdict[int, list[VisitDone]] = defaultdict(list)
    if change_set_ids:
        for asked, one in _read(_OF_CHANGE_SETS, [sorted(change_set_ids)]):
            found[asked].append(one)
    return found


def _read(visits: str, values: list[Any]) -> Iterable[tuple[int, VisitDone]]:
    with connection.cursor() as cursor:
        cursor.execute(_DONE.format(visits=visits), values)
        rows = cursor.fetchall()
    return [(asked, VisitDone(*[*row, _in_words(*row[-4:])])) for asked, *row in rows]


def _in_words(tests: int, failed: int, outside: int, changes: int) -> str:
    said = [counted(tests, "test") if tests else "no test"]
    if failed:
        said.append(f"{failed} failed")
    if outside:
        said.append(f"{outside} outside what is expected")
    if tests and not failed and not outside:
        said.append("none failed or outside what is expected")
    return f"{', '.join(said)}; {counted(changes, 'change') if changes else 'no change'}"
