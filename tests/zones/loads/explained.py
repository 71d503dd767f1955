"""Loads with their worked calculations, and a run on two supplies."""

from __future__ import annotations

import datetime as dt
from typing import Any

from tests import factories
from tests.halls import Hall
from zones.loads.explanations import Explanations
from zones.loads.explanations.worked import Worked
from zones.loads.site_loads import Load, SiteLoads, site_loads
from zones.models import Run
from zones.services.points import point_alter

BUILT = factories.BUILT_ON


def twice_fed(hall: Hall) -> Run:
    """A run on two supplies of its own, which meet on its one section."""
    run = factories.make_run(
        hall.block, name="R5", zone=hall.zone, supply=factories.make_supply(hall.closet, name="PS 5"),
        fuse_fitted=True, fuse_rating_a=1.0,
    )  # fmt: skip
    points = factories.make_points(run, 3, hall.speaker)
    other = factories.make_supply(hall.closet, name="PS 6")
    point_alter(factories.change(hall.site), point=points[2], feed_supply=other)
    return run


def explained(loads: SiteLoads) -> list[tuple[Load, Worked]]:
    explanations = Explanations(loads)
    return [(load, explanations.of(load)) for load in loads.loads]


def of(hall: Hall, code: str, subject: int | None, as_of: dt.date = BUILT) -> tuple[Load, Worked]:
    (found,) = (
        pair
        for pair in explained(site_loads(hall.site.pk, as_of))
        if (pair[0].code, pair[0].subject_id) == (code, subject)
    )
    return found


def amounts(worked: Worked) -> dict[str, Any]:
    return {amount.name: amount for amount in (*worked.inputs, *(step.gives for step in worked.steps))}
