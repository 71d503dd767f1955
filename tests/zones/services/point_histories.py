"""What tests of points ask of a run: its points and their facts, on the days of its story."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sites.changes.steps import first_step_after
from tests.factories import change
from zones.models import Point, PointFacts, Run
from zones.selectors import points_before

LATER = dt.date(2025, 9, 1)
AFTER_THAT = dt.date(2025, 10, 1)


def on(run: Run, day: dt.date = LATER, **fields: Any) -> Any:
    return change(run.site, happened_on=day, **fields)


def facts_of(point: Point) -> PointFacts:
    return point.facts.latest("step")


def parents(run: Run, day: dt.date) -> list[tuple[str, str | None, float | None]]:
    """(name, parent's name, length) of each point as of a day, in the run's order."""
    rows = points_before(first_step_after(day), site_id=run.site_id, run_ids=[run.pk])
    return [(row.point.name, row.parent.name if row.parent else None, row.length_m) for row in rows]
