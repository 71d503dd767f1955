"""Who did what lies behind the steps of a plant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import NamedTuple

from django.db import connection

from sites.changes.models import ChangeSet


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
    reason: str
    job_reference: str
    happened_on: dt.date
    recorded_at: dt.datetime


_COLUMNS = ", ".join(ChangeSetInfo._fields)


def change_sets_at(places: Iterable[tuple[int, int]]) -> dict[tuple[int, int], ChangeSetInfo]:
    """The change sets of (site id, step) pairs, in one query; pairs at which nothing was accepted are left
    out."""
    wanted = sorted(set(places))
    with connection.cursor() as cursor:
        cursor.execute(
            f"""SELECT {_COLUMNS} FROM change_set
                JOIN unnest(%s::bigint[], %s::bigint[]) AS wanted (site_id, step) USING (site_id, step)
                WHERE state = 'accepted'""",  # noqa: S608 - the names of fields
            [[site for site, _ in wanted], [step for _, step in wanted]],
        )
        found = [ChangeSetInfo._make(row) for row in cursor.fetchall()]
    return {(info.site_id, info.step): info for info in found if info.site_id and info.step}


def change_sets_by_id(ids: Iterable[int]) -> dict[int, ChangeSetInfo]:
    """Accepted change sets by their ids, in one query."""
    rows = ChangeSet.objects.filter(pk__in=set(ids), state=ChangeSet.State.ACCEPTED)
    return {info.id: info for info in map(ChangeSetInfo._make, rows.values_list(*ChangeSetInfo._fields))}
