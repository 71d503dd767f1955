"""How zones stand: the stored figures and the open findings of all that bears on each.

For lists of many zones, of many sites: nothing is computed here, it is as the last recheck left it. What a
zone carries, computed and in words, is ``zone_loads``, and both go by the same idea of what bears on a zone
(``bearing``; a test holds them together).
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

from django.db import connection

from sites.changes.steps import STEPS_A_DAY
from zones.electrical.subjects import SubjectKind
from zones.findings.locations import Subject

# Everything is narrowed to the sites first: each of these tables is read along an index that begins with them
_BEARING: Final = f"""
WITH of_site AS MATERIALIZED (
    SELECT site.id AS site_id,
        (((now() AT TIME ZONE site.time_zone)::date - DATE '1970-01-01')::bigint + 1) * {STEPS_A_DAY}
            AS before
    FROM site WHERE site.id = ANY(%(sites)s::bigint[])
),
fed_run AS MATERIALIZED (
    SELECT DISTINCT ON (f.run_id)
        f.run_id, f.zone_id, f.output_id, f.supply_id, f.amplifier_id, run.block_id, s.before
    FROM of_site s
    JOIN run_facts f ON f.site_id = s.site_id AND f.step < s.before AND f.site_id = ANY(%(sites)s::bigint[])
    JOIN run ON run.site_id = s.site_id AND run.id = f.run_id
        AND run.begin_step < s.before AND (run.end_step IS NULL OR run.end_step >= s.before)
    ORDER BY f.run_id, f.step DESC
),
special_point AS MATERIALIZED (
    SELECT DISTINCT ON (f.point_id) f.run_id, f.zone_id, f.feed_supply_id
    FROM of_site s
    JOIN point_facts f ON f.site_id = s.site_id AND f.step < s.before
    WHERE f.point_id IN (
        SELECT ever.point_id FROM point_facts ever
        WHERE ever.site_id = ANY(%(sites)s::bigint[])
            AND (ever.zone_id IS NOT NULL OR ever.feed_supply_id IS NOT NULL)
    )
    ORDER BY f.point_id, f.step DESC
),
run_of_zone AS MATERIALIZED (
    SELECT fed_run.zone_id, fed_run.run_id FROM fed_run WHERE fed_run.zone_id = ANY(%(zones)s::bigint[])
    UNION
    SELECT p.zone_id, p.run_id FROM special_point p WHERE p.zone_id = ANY(%(zones)s::bigint[])
),
fed AS MATERIALIZED (
    SELECT run_of_zone.zone_id AS of_zone, fed_run.* FROM run_of_zone JOIN fed_run USING (run_id)
),
endpoint_of_zone AS MATERIALIZED (
    SELECT heard.zone_id AS of_zone, heard.endpoint_id
    FROM of_site s
    JOIN zone_endpoint heard ON heard.site_id = s.site_id AND heard.zone_id = ANY(%(zones)s::bigint[])
        AND heard.begin_step < s.before AND (heard.end_step IS NULL OR heard.end_step >= s.before)
    UNION
    SELECT fed.of_zone, output.endpoint_id FROM fed JOIN output ON output.id = fed.output_id
),
patched AS MATERIALIZED (
    SELECT DISTINCT ON (f.endpoint_id) f.endpoint_id, f.port_id
    FROM of_site s
    JOIN endpoint_facts f ON f.site_id = s.site_id AND f.step < s.before
    JOIN endpoint ON endpoint.site_id = s.site_id AND endpoint.id = f.endpoint_id
        AND endpoint.begin_step < s.before AND (endpoint.end_step IS NULL OR endpoint.end_step >= s.before)
    ORDER BY f.endpoint_id, f.step DESC
),
port_of_zone AS MATERIALIZED (
    SELECT e.of_zone, port.id AS port_id, port.switch_id
    FROM endpoint_of_zone e
    JOIN patched USING (endpoint_id)
    JOIN switch_port port ON port.id = patched.port_id
),
bearing (of_zone, kind, subject_id) AS (
    SELECT of_zone, {SubjectKind.RUN:d}, run_id FROM fed
    UNION SELECT of_zone, {SubjectKind.BLOCK:d}, block_id FROM fed
    UNION SELECT fed.of_zone, {SubjectKind.BLOCK:d}, landing.block_id
        FROM fed JOIN landing ON landing.run_id = fed.run_id
            AND landing.begin_step < fed.before
            AND (landing.end_step IS NULL OR landing.end_step >= fed.before)
    UNION SELECT of_zone, {SubjectKind.SUPPLY:d}, supply_id FROM fed
    UNION SELECT fed.of_zone, {SubjectKind.SUPPLY:d}, p.feed_supply_id
        FROM fed JOIN special_point p USING (run_id)
    UNION SELECT of_zone, {SubjectKind.AMPLIFIER:d}, amplifier_id FROM fed
    UNION SELECT of_zone, {SubjectKind.OUTPUT:d}, output_id FROM fed
    UNION SELECT of_zone, {SubjectKind.ENDPOINT:d}, endpoint_id FROM endpoint_of_zone
    UNION SELECT of_zone, {SubjectKind.PORT:d}, port_id FROM port_of_zone
    UNION SELECT of_zone, {SubjectKind.SWITCH:d}, switch_id FROM port_of_zone
)
SELECT kind, subject_id, array_agg(of_zone) FROM bearing
WHERE subject_id IS NOT NULL GROUP BY kind, subject_id
"""  # noqa: S608 - our own numbers


_FIGURES: Final = """
SELECT f.subject_kind, f.subject_id, f.codes, f.verdict, f.low, f.likely, f.high, f.limit_value, f.as_of
FROM unnest(%(kinds)s::int[], %(ids)s::bigint[]) AS of (subject_kind, subject_id)
JOIN figures f USING (subject_kind, subject_id)
"""
_FINDINGS: Final = """
SELECT f.id, f.case_id, f.code, f.subject_kind, f.subject_id, f.verdict, f.state, f.opened_at
FROM unnest(%(kinds)s::int[], %(ids)s::bigint[]) AS of (subject_kind, subject_id)
JOIN finding f USING (subject_kind, subject_id)
WHERE f.cleared_at IS NULL ORDER BY f.id
"""


class StoredFigures(NamedTuple):
    """What was found of one subject as of a day: parallel lists, one place a limit."""

    subject_kind: int
    subject_id: int
    codes: list[str]
    verdict: list[int]
    low: list[float | None]
    likely: list[float | None]
    high: list[float | None]
    limit: list[float | None]
    as_of: dt.date

    @property
    def subject(self) -> Subject:
        return self.subject_kind, self.subject_id


class OpenFinding(NamedTuple):
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


Bearing = Mapping[Subject, Sequence[int]]
"""By subject, the zones that it bears on."""


def subjects_bearing_on(zones: Mapping[int, int]) -> Bearing:
    """What bears on some zones today at their sites. zones: site ids by id. One query."""
    rows = _rows(_BEARING, zones=list(zones), sites=list(set(zones.values())))
    return {(kind, subject_id): of for kind, subject_id, of in rows}


def stored_figures(bearing: Bearing) -> list[StoredFigures]:
    """What the last recheck found of each subject; none of those that have no figure. One query."""
    return [StoredFigures._make(row) for row in _rows(_FIGURES, **_columns(bearing))]


def open_findings(bearing: Bearing) -> list[OpenFinding]:
    """Findings of the subjects that have not cleared, the oldest first. One query."""
    return [OpenFinding._make(row) for row in _rows(_FINDINGS, **_columns(bearing))]


def _columns(bearing: Bearing) -> dict[str, list[int]]:
    return {"kinds": [kind for kind, _ in bearing], "ids": [pk for _, pk in bearing]}


def _rows(statement: str, **columns: list[int]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, columns)
        return list(cursor.fetchall())
