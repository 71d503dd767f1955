"""Visits: a technician at a closet on a day, for a job."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sites.changes.errors import require
from sites.changes.operations import Use, operation
from sites.changes.work import Work
from sites.fields import facts_of
from sites.models import Closet
from zones.models import Visit
from zones.rules.visits import visited_by_then


@operation("visit.record", "A technician was at a closet.", of=Visit, use=Use.ANY, measured=True)
def visit_record(
    work: Work,
    /,
    *,
    closet: Closet,
    visited_on: dt.date,
    technician: str,
    job_reference: str = "",
    note: str = "",
) -> Visit:
    require(visited_by_then(visited_on, work.change_set.happened_on))
    return work.add(
        Visit(
            closet=closet,
            visited_on=visited_on,
            technician=technician,
            job_reference=job_reference,
            note=note,
        )
    )


_TOLD = facts_of(Visit, "visited_on")


@operation(
    "visit.alter", "What is said of a visit was wrong.", of=Visit, takes=_TOLD, use=Use.ANY, measured=True
)
def visit_alter(work: Work, /, *, visit: Visit, **told: Any) -> Visit:
    work.alter(visit, told)
    return visit
