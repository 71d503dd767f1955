"""The change sets behind the steps of a plant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from typing import NamedTuple

from django.db import connection


class ChangeSetInfo(NamedTuple):
    """An accepted change set: enough to say who did what, when, why and under which job. ``site_id`` and
    ``step`` are None for one of no site (the catalogue)."""

    id: int
    site_id: int | None
    step: int | None
    kind: str
    purpose: str
    channel: str
    quiet: bool
    actor: str
    done_by: str
    reason: str
    job_reference: str
    happened_on: dt.date
    recorded_at: dt.datetime


_COLUMNS = ", ".join(ChangeSetInfo._fields)


class ChangeSets(NamedTuple):
    """The change sets asked for, by (site id, step) and by id."""

    by_step: Mapping[tuple[int, int], ChangeSetInfo]
    by_id: Mapping[int, ChangeSetInfo]


def look_up(places: Collection[tuple[int, int]], ids: Collection[int] = ()) -> ChangeSets:
    """The accepted change sets of (site id, step) pairs and of ids, in one query; pairs at which nothing was
    accepted are left out."""
    if not places and not ids:
        return ChangeSets({}, {})
    wanted = sorted(set(places))
    with connection.cursor() as cursor:
        cursor.execute(
            f"""SELECT {_COLUMNS} FROM change_set
                JOIN unnest(%s::bigint[], %s::bigint[]) AS wanted (site_id, step) USING (site_id, step)
                WHERE state = 'accepted'
                UNION SELECT {_COLUMNS} FROM change_set
                WHERE id = ANY(%s::bigint[]) AND state = 'accepted'""",  # noqa: S608 - the names of fields
            [[site for site, _ in wanted], [step for _, step in wanted], sorted(set(ids))],
        )
        found = [ChangeSetInfo._make(row) for row in cursor.fetchall()]
    return ChangeSets(
        {(info.site_id, info.step): info for info in found if info.site_id and info.step},
        {info.id: info for info in found},
    )
