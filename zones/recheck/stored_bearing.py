"""What bears on which zone today, as it is stored: compared with what was found, and the differences
written."""

from __future__ import annotations

import numpy as np
from django.db import connection

from zones.electrical.bands import IntArray
from zones.electrical.bearing import Bearing
from zones.electrical.plant import Plant
from zones.plant.columns import Query, fetch
from zones.recheck.array_parameters import cursor_taking_arrays

_STORED = Query(
    rows="FROM zone_subject WHERE site_id = ANY({ids})",
    whole={"zone": "zone_id", "kind": "subject_kind", "subject": "subject_id"},
)


def write_bearing(plant: Plant, found: Bearing) -> None:
    """Make what is stored of the plant's sites that of ``found`` (one member a site). Three statements at
    most."""
    with connection.cursor() as cursor:
        stored = fetch(cursor, _STORED, plant.site_id)
    old = [stored["zone"], stored["kind"], stored["subject"]]
    new = [found.zone_id, found.subject_kind, found.subject_id]
    is_new, is_old = _each(new, old)
    gone, come = ~np.isin(is_old, is_new), ~np.isin(is_new, is_old)
    with cursor_taking_arrays() as cursor:
        if gone.any():
            cursor.execute(
                """DELETE FROM zone_subject t
                   USING unnest(%s::bigint[], %s::bigint[], %s::bigint[]) AS gone(zone, kind, subject)
                   WHERE t.zone_id = zone AND t.subject_kind = kind AND t.subject_id = subject""",
                [column[gone] for column in old],
            )
        if come.any():
            cursor.execute(
                """INSERT INTO zone_subject (site_id, zone_id, subject_kind, subject_id)
                   SELECT * FROM unnest(%s::bigint[], %s::bigint[], %s::bigint[], %s::bigint[])""",
                [plant.site_id[found.member[come]], *(column[come] for column in new)],
            )


def _each(some: list[IntArray], others: list[IntArray]) -> tuple[IntArray, IntArray]:
    """A number for each row of both, equal where zone, kind and subject are."""
    number = np.zeros(len(some[0]) + len(others[0]), np.int64)
    for one, other in zip(some, others, strict=True):
        values, at = np.unique(np.concatenate([one, other]), return_inverse=True)
        number = number * len(values) + at
    return number[: len(some[0])], number[len(some[0]) :]
