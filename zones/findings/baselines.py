"""The day from which a site's limits are followed: what is past by its end is "as found"."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sites.changes.steps import day_of, first_step_after
from zones.electrical.plant import FOREVER, Plant


class Since(StrEnum):
    """What makes a day the baseline of a site."""

    SURVEY = "survey"
    COMMISSIONING = "commissioning"
    FIRST_DAY = "first_day"


@dataclass(frozen=True)
class Baseline:
    """The baseline of a site. day: None where nothing of it is recorded. begun: False while the site is not
    in service yet, and a limit crossed in a half-built system is not a fault."""

    since: Since
    day: dt.date | None
    begun: bool = True

    @property
    def in_service_from(self) -> dt.date:
        """The first day on which what is past is a fault."""
        assert self.day is not None, "a site without a record is not being built"
        return self.day + dt.timedelta(days=self.since is Since.FIRST_DAY)

    @property
    def step(self) -> int:
        """The last step that still counts as found; before all others where there is no day."""
        return -1 if self.day is None else first_step_after(self.day) - 1


def baselines(
    plant: Plant,
    surveyed_on: Sequence[dt.date | None],
    commissioned_on: Sequence[dt.date | None],
    asked_step: Sequence[int],
) -> list[Baseline]:
    """By site of the plant: the survey day of a site taken over, else its commissioned day, else its first
    recorded day. A site is in service from that day on, or after its first recorded day."""
    first = _first_days(plant)
    found = []
    for site, (surveyed, commissioned) in enumerate(zip(surveyed_on, commissioned_on, strict=True)):
        today = day_of(asked_step[site])
        if surveyed is not None:
            found.append(Baseline(Since.SURVEY, surveyed, surveyed <= today))
        elif commissioned is not None:
            found.append(Baseline(Since.COMMISSIONING, commissioned, commissioned <= today))
        else:
            day = first[site]
            found.append(Baseline(Since.FIRST_DAY, day, day is None or day < today))
    return found


def _first_days(plant: Plant) -> list[dt.date | None]:
    """By site, the day of the first recorded row of its plant."""
    first = np.full(len(plant.site_id), FOREVER, np.int64)
    for table in plant.tables.values():
        np.minimum.at(first, plant.group_site[table.group], table.begin)
    return [None if step == FOREVER else day_of(step) for step in first.tolist()]
