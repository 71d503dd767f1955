"""How zones stand, for lists of many zones of many sites: the stored figures and the open findings of all
that bears on each, as the last recheck left them."""

# ruff: noqa: S608 - what is put into the SQL is in this file

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence
from typing import Any, Final, NamedTuple

from django.db import connection

from zones.electrical.estimates import WORDS_OF_BITS, own_or_likely
from zones.electrical.subjects import Subject

# Each subject once, however many of the zones it bears on
_BEARS: Final = """
WITH bears AS (
    SELECT subject_kind, subject_id, array_agg(zone_id) AS zones FROM zone_subject
    WHERE zone_id = ANY(%s::bigint[]) GROUP BY subject_kind, subject_id
)
"""
_FIGURES: Final = f"""{_BEARS}
SELECT zones, subject_kind, subject_id, codes, verdict, as_of, low, likely, high,
    low_limit, limit_value, high_limit, overloaded, bounds
FROM bears JOIN figures USING (subject_kind, subject_id)
"""
# OFFSET 0 has each subject looked up: joined, all open findings of the fleet would be read
_FINDINGS: Final = f"""{_BEARS}
SELECT zones, f.id, f.case_id, f.code, f.subject_kind, f.subject_id, f.verdict, f.state, f.opened_at
FROM bears CROSS JOIN LATERAL (
    SELECT * FROM finding
    WHERE subject_kind = bears.subject_kind AND subject_id = bears.subject_id AND cleared_at IS NULL OFFSET 0
) f ORDER BY f.id
"""


class StoredFigures(NamedTuple):
    """What was found of one subject as of a day: parallel lists, one place a limit. zones: on which it bears,
    of those asked. overloaded, bounds: words of estimates."""

    zones: list[int]
    subject_kind: int
    subject_id: int
    codes: list[str]
    verdict: list[int]
    as_of: dt.date
    low: list[float | None]
    likely: list[float | None]
    high: list[float | None]
    low_limit: list[float | None]
    limit: list[float | None]
    high_limit: list[float | None]
    overloaded: list[Sequence[str]]
    bounds: list[Sequence[str]]

    @property
    def subject(self) -> Subject:
        return self.subject_kind, self.subject_id


class OpenFinding(NamedTuple):
    zones: list[int]
    id: int
    case_id: int
    code: str
    subject_kind: int
    subject_id: int
    verdict: int
    state: str
    opened_at: dt.datetime

    @property
    def subject(self) -> Subject:
        return self.subject_kind, self.subject_id


def stored_figures(zone_ids: Collection[int]) -> list[StoredFigures]:
    """What the last recheck found of each subject that bears on one of the zones. One query."""
    found = []
    for *of, low_limit, limit, high_limit, overloaded, bounds in _rows(_FIGURES, zone_ids):
        limits = _each_own_or_likely(low_limit, limit), limit, _each_own_or_likely(high_limit, limit)
        words = (
            [WORDS_OF_BITS[number] for number in flags or [0] * len(limit)] for flags in (overloaded, bounds)
        )
        found.append(StoredFigures._make([*of, *limits, *words]))
    return found


def _each_own_or_likely(own: list[float | None] | None, likely: list[float | None]) -> list[float | None]:
    if own is None or own == likely:  # most often
        return likely
    return list(map(own_or_likely, own, likely))


def open_findings(zone_ids: Collection[int]) -> list[OpenFinding]:
    """Findings of what bears on one of the zones that have not cleared, the oldest first. One query."""
    return [OpenFinding._make(row) for row in _rows(_FINDINGS, zone_ids)]


def _rows(statement: str, zone_ids: Collection[int]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, [list(zone_ids)])
        return list(cursor.fetchall())
