"""What a recheck stores: the figures of each subject, and what bears on which zone.

Both are compared with what was found, and only the differences are written.

NumPy columns are parameters of a statement in PostgreSQL's own binary form. A list would become text a value
at a time, and be parsed again on the other side: of a recheck that writes every figure that took a quarter of
the time.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import psycopg
from django.db import connection
from numpy.typing import NDArray
from psycopg.adapt import Dumper
from psycopg.pq import Format

from zones.electrical import estimates
from zones.electrical.bearing import Bearing
from zones.electrical.evaluate import SOLVER_VERSION, Evaluation
from zones.electrical.plant import BoolArray, Plant
from zones.electrical.subjects import SubjectKind
from zones.limits.registry import RULES
from zones.plant.columns import Columns, Query, fetch

SAME_RELATIVE = 1e-11
"""What differs by less was computed alike: how a batch is put together moves the last bits of a sum."""

_CODES = [rule.code for rule in RULES]
_NUMBERED = ", ".join(f"('{code}', {number})" for number, code in enumerate(_CODES))
_REALS = (*estimates.WORDS, *estimates.LIMITS, "supported")
_WHOLES = (*estimates.DETAILS, *estimates.FLAGS)

_STORED_FIGURES = Query(
    whole={
        "site": "u.site_id",
        "kind": "u.subject_kind",
        "subject": "u.subject_id",
        "solver": "u.solver_version",
        "code": "n.number",
        "verdict": "u.verdict",
        **{name: f"u.{name}" for name in _WHOLES},
    },
    real={name: f"u.{name}" for name in _REALS} | {"limit": "u.lim"},
    # Codes are joined, not looked up in an array. Arrays are taken apart side by side in the SELECT, as in
    # _INSERT: one unnest() of all in FROM writes its rows down first, and takes twice as long
    rows=f"""FROM (
            SELECT site_id, subject_kind, subject_id, solver_version, unnest(codes) AS code,
                unnest(verdict) AS verdict, unnest(detail) AS detail, unnest(low) AS low,
                unnest(likely) AS likely, unnest(high) AS high, unnest(limit_value) AS lim,
                unnest(low_limit) AS low_limit, unnest(high_limit) AS high_limit,
                unnest(low_detail) AS low_detail, unnest(high_detail) AS high_detail,
                unnest(overloaded) AS overloaded, unnest(bounds) AS bounds, unnest(supported) AS supported
            FROM figures WHERE site_id = ANY({{ids}})
        ) u LEFT JOIN (VALUES {_NUMBERED}) AS n(code, number) USING (code)""",  # noqa: S608 - our own codes
)

_INSERT = """
INSERT INTO figures (
    subject_kind, subject_id, site_id, codes, verdict, detail, low, likely, high, limit_value, low_limit,
    high_limit, low_detail, high_detail, overloaded, bounds, supported, as_of, solver_version, computed_at
)
SELECT kind, subject, site, array_agg((%(codes)s::text[])[code + 1] ORDER BY code),
    array_agg(verdict::smallint ORDER BY code), array_agg(nullif(detail, -1) ORDER BY code),
    array_agg(nullif(low, 'NaN') ORDER BY code),
    array_agg(nullif(likely, 'NaN') ORDER BY code), array_agg(nullif(high, 'NaN') ORDER BY code),
    array_agg(nullif(lim, 'NaN') ORDER BY code), array_agg(nullif(low_limit, 'NaN') ORDER BY code),
    array_agg(nullif(high_limit, 'NaN') ORDER BY code), array_agg(nullif(low_detail, -1) ORDER BY code),
    array_agg(nullif(high_detail, -1) ORDER BY code), array_agg(overloaded::smallint ORDER BY code),
    array_agg(bounds::smallint ORDER BY code), array_agg(nullif(supported, 'NaN') ORDER BY code),
    DATE '0001-01-01' + (min(day) - 1)::int, %(solver)s::int, %(now)s::timestamptz
FROM (
    SELECT unnest(%(kind)s::bigint[]) AS kind, unnest(%(subject)s::bigint[]) AS subject,
        unnest(%(site)s::bigint[]) AS site, unnest(%(code)s::bigint[]) AS code,
        unnest(%(verdict)s::bigint[]) AS verdict, unnest(%(detail)s::bigint[]) AS detail,
        unnest(%(low)s::float8[]) AS low, unnest(%(likely)s::float8[]) AS likely,
        unnest(%(high)s::float8[]) AS high, unnest(%(limit)s::float8[]) AS lim,
        unnest(%(low_limit)s::float8[]) AS low_limit, unnest(%(high_limit)s::float8[]) AS high_limit,
        unnest(%(low_detail)s::bigint[]) AS low_detail, unnest(%(high_detail)s::bigint[]) AS high_detail,
        unnest(%(overloaded)s::bigint[]) AS overloaded, unnest(%(bounds)s::bigint[]) AS bounds,
        unnest(%(supported)s::float8[]) AS supported, unnest(%(day)s::bigint[]) AS day
) AS f
GROUP BY kind, subject, site
"""
_OR_UPDATE = """
ON CONFLICT (subject_kind, subject_id) DO UPDATE SET
    site_id = excluded.site_id, codes = excluded.codes, verdict = excluded.verdict, detail = excluded.detail,
    low = excluded.low, likely = excluded.likely, high = excluded.high, limit_value = excluded.limit_value,
    low_limit = excluded.low_limit, high_limit = excluded.high_limit, low_detail = excluded.low_detail,
    high_detail = excluded.high_detail, overloaded = excluded.overloaded, bounds = excluded.bounds,
    supported = excluded.supported, as_of = excluded.as_of, solver_version = excluded.solver_version,
    computed_at = excluded.computed_at
"""


def without_repeats(evaluation: Evaluation) -> Evaluation:
    """One row a (member, subject, limit): the worst where there are several (two endpoints on one port)."""
    keys = np.stack(
        [
            evaluation.member,
            evaluation.subject_kind,
            evaluation.subject_id,
            evaluation.rule,
            -evaluation.verdict,
        ]
    )
    order = np.lexsort(keys[::-1])
    again = np.append(False, (np.diff(keys[:4, order], axis=1) == 0).all(axis=0))[: len(order)]
    if not again.any():
        return evaluation
    kept = np.sort(order[~again])
    arrays = {
        name: value[kept]
        for name in evaluation.__dataclass_fields__
        if isinstance(value := getattr(evaluation, name), np.ndarray)
    }
    return replace(evaluation, **arrays)


def write_figures(
    plant: Plant, evaluation: Evaluation, as_of: Sequence[dt.date], now: dt.datetime
) -> tuple[int, int]:
    """Make the stored figures of the plant's sites those of ``evaluation`` (one member a site, no repeats).

    Returns how many subjects were written and how many removed. Three statements at most. Values that are not
    finite are stored as NULL.
    """
    found = _found(plant, evaluation)
    with connection.cursor() as cursor:
        stored = fetch(cursor, _STORED_FIGURES, plant.site_id)
        kind = np.concatenate([found["kind"], stored["kind"]])
        subject = np.concatenate([found["subject"], stored["subject"]])
        # one number a subject is sorted several times as fast as pairs are
        subjects, number = np.unique(subject * (len(SubjectKind) + 1) + kind, return_inverse=True)
        count, of_found, of_stored = len(subjects), number[: len(found["kind"])], number[len(found["kind"]) :]
        changed = _changed(count, found, of_found, stored, of_stored)
        is_found = np.bincount(of_found, minlength=count) > 0
        gone = np.unique(of_stored[~is_found[of_stored]])
        if len(gone):
            first = np.unique(of_stored, return_index=True)[1]
            row = first[np.searchsorted(np.unique(of_stored), gone)]
            cursor.execute(
                """DELETE FROM figures USING unnest(%s::smallint[], %s::bigint[]) AS gone(kind, subject)
                   WHERE subject_kind = gone.kind AND subject_id = gone.subject""",
                [stored["kind"][row].tolist(), stored["subject"][row].tolist()],
            )
        write = changed[of_found]
        if write.any():
            values: dict[str, Any] = {
                name: column[write] for name, column in found.items() if name != "member"
            }
            values["day"] = np.array([day.toordinal() for day in as_of], np.int64)[found["member"][write]]
            values |= {"codes": _CODES, "solver": SOLVER_VERSION, "now": now}
            with cursor_taking_arrays() as of_arrays:
                # where nothing is stored there is nothing to look up for every row
                of_arrays.execute(_INSERT + _OR_UPDATE if len(of_stored) else _INSERT, values)
    return int((changed & is_found).sum()), len(gone)


def _found(plant: Plant, evaluation: Evaluation) -> Columns:
    columns: Columns = {
        "member": evaluation.member,
        "site": plant.site_id[evaluation.member],
        "kind": evaluation.subject_kind,
        "subject": evaluation.subject_id,
        "code": np.array([_CODES.index(rule.code) for rule in evaluation.rules], np.int64)[evaluation.rule],
        "verdict": evaluation.verdict,
        **{name: getattr(evaluation, name) for name in _WHOLES},
    }
    for name in _REALS:
        values = getattr(evaluation, name)
        columns[name] = np.where(np.isfinite(values), values, np.nan)
    return columns


def _changed(
    count: int, found: Columns, of_found: NDArray[np.int64], stored: Columns, of_stored: NDArray[np.int64]
) -> BoolArray:
    """(count,) by subject: whether anything found of it differs from what is stored."""
    changed: BoolArray = np.bincount(of_found, minlength=count) != np.bincount(of_stored, minlength=count)
    # with as many rows on either side, the n-th by code of the one is the n-th of the other
    mine = np.lexsort((found["code"], of_found))
    theirs = np.lexsort((stored["code"], of_stored))
    mine, theirs = mine[~changed[of_found[mine]]], theirs[~changed[of_stored[theirs]]]
    differs = stored["solver"][theirs] != SOLVER_VERSION
    for name in ("site", "code", "verdict", *_WHOLES):
        differs |= found[name][mine] != stored[name][theirs]
    for name in _REALS:
        differs |= ~np.isclose(
            found[name][mine], stored[name][theirs], rtol=SAME_RELATIVE, atol=SAME_RELATIVE, equal_nan=True
        )
    changed[of_found[mine][differs]] = True
    return changed


def write_bearing(plant: Plant, found: Bearing) -> None:
    """Make what is stored of the plant's sites that of ``found`` (one member a site). One statement."""
    with cursor_taking_arrays() as cursor:
        cursor.execute(
            """WITH differing AS MATERIALIZED (
                   SELECT found.site_id AS site, stored.site_id AS stored_site,
                       zone_id, subject_kind, subject_id
                   FROM unnest(%s::bigint[], %s::bigint[], %s::bigint[], %s::bigint[])
                           AS found (site_id, zone_id, subject_kind, subject_id)
                       FULL JOIN (SELECT * FROM zone_subject WHERE site_id = ANY(%s::bigint[])) AS stored
                           USING (zone_id, subject_kind, subject_id)
                   WHERE found.site_id IS NULL OR stored.site_id IS NULL
               ), gone AS (
                   DELETE FROM zone_subject t USING differing d
                   WHERE d.site IS NULL AND t.zone_id = d.zone_id AND t.subject_kind = d.subject_kind
                       AND t.subject_id = d.subject_id
               )
               INSERT INTO zone_subject (site_id, zone_id, subject_kind, subject_id)
               SELECT site, zone_id, subject_kind, subject_id FROM differing WHERE stored_site IS NULL""",
            [
                plant.site_id[found.member],
                found.zone_id,
                found.subject_kind,
                found.subject_id,
                plant.site_id,
            ],
        )


_ELEMENTS = {"i": ("int8", np.dtype(">i8")), "f": ("float8", np.dtype(">f8"))}
"""By kind of column, what PostgreSQL receives it as. NaN stays NaN."""


class _Column(Dumper):
    """A column as bigint[] or double precision[]. The statement casts it: it is sent without a type."""

    format = Format.BINARY

    def dump(self, obj: NDArray[Any]) -> bytes:
        if obj.dtype.kind not in _ELEMENTS:
            raise TypeError(f"a column of {obj.dtype} has no form in PostgreSQL")
        name, element = _ELEMENTS[obj.dtype.kind]
        oid = psycopg.adapters.types[name].oid
        header = np.array([1, 0, oid, len(obj), 1] if len(obj) else [0, 0, oid], ">i4")
        elements = np.empty(len(obj), [("length", ">i4"), ("value", element)])
        elements["length"] = element.itemsize
        elements["value"] = obj
        return header.tobytes() + elements.tobytes()


def cursor_taking_arrays() -> Any:
    """A cursor of Django's connection, in its transaction and with its errors, whose parameters may be (n,)
    arrays."""
    connection.ensure_connection()
    cursor: Any = psycopg.Cursor(connection.connection)
    cursor.adapters.register_dumper(np.ndarray, _Column)
    wrapped = connection.make_debug_cursor if connection.queries_logged else connection.make_cursor
    return wrapped(cursor)
