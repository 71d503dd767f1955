"""The loads of one thing: a run, a supply, a switch or another subject of figures, in words."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from zones.electrical.subjects import Subject
from zones.electrical.verdicts import Verdict
from zones.subjects import Names

from .site_loads import Loads
from .wording import NotComputed, RenderedLoad, not_computed, places_of, render_loads, worst_of


@dataclass(frozen=True, eq=False)
class SubjectLoad:
    """name: what people call the thing. figures: worst verdict first, then least headroom. verdict: the
    worst of them. zone_ids: of the zones that depend on it."""

    name: str
    as_of: dt.date
    figures: tuple[RenderedLoad, ...]
    problems: tuple[NotComputed, ...]
    verdict: Verdict
    zone_ids: frozenset[int]


def load_of_subject(loads: Loads, subject: Subject) -> SubjectLoad:
    chosen = loads.of([subject])
    names = Names([subject], places_of(chosen))
    figures = render_loads(chosen, loads.length_unit, names)
    problems = not_computed(loads.problems_of([subject]), names)
    return SubjectLoad(
        name=names.of(subject),
        as_of=loads.as_of,
        figures=figures,
        problems=problems,
        verdict=worst_of(figures, problems),
        zone_ids=frozenset(zone_id for zone_id, found in loads.bearing.items() if subject in found),
    )
