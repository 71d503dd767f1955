"""What a zone carries: all figures that bear on it, with their limits, in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from sites.changes.steps import first_step_after
from zones.electrical.subjects import Subject
from zones.electrical.verdicts import Verdict
from zones.hazards import Hazards
from zones.limits.cautions import Caution, CautionHere
from zones.models import Zone
from zones.subjects import Names

from .site_loads import Loads, smallest_headroom
from .wording import NotComputed, RenderedLoad, not_computed, places_of, render_loads, summary, worst_of


@dataclass(frozen=True, eq=False)
class ZoneLoad:
    """figures: worst verdict first, then least headroom. verdict: the worst of them. tightest: the one of
    least headroom, None where none is known. closet_ids: where what bears on the zone stands. known: whether
    anything that feeds the zone is recorded."""

    zone_id: int
    as_of: dt.date
    figures: tuple[RenderedLoad, ...]
    problems: tuple[NotComputed, ...]
    tightest: RenderedLoad | None
    verdict: Verdict
    summary: str
    closet_ids: frozenset[int]

    @property
    def known(self) -> bool:
        return bool(self.figures or self.problems)


def loads_of_zones(
    loads: Loads, zone_ids: Collection[int], names: Names | None = None
) -> Mapping[int, ZoneLoad]:
    """What each of some zones of a site carries, their names read at once. names: where they are read
    already, with those of the places."""
    bearing = {zone_id: loads.bearing.get(zone_id, set()) for zone_id in zone_ids}
    everything: set[Subject] = set().union(*bearing.values())
    chosen = loads.of(everything)
    names = names or Names(everything, places_of(chosen))
    every_figure, every_problem = (
        render_loads(chosen, loads.length_unit, names),
        not_computed(loads.problems_of(everything), names),
    )
    found = {}
    for zone_id, of_zone in bearing.items():
        figures = tuple(one for one in every_figure if one.load.subject in of_zone)
        problems = tuple(one for one in every_problem if one.subject in of_zone)
        least = smallest_headroom(one.load for one in figures)
        found[zone_id] = ZoneLoad(
            zone_id=zone_id,
            as_of=loads.as_of,
            figures=figures,
            problems=problems,
            tightest=next((one for one in figures if one.load is least), None),
            verdict=worst_of(figures, problems),
            summary=summary(figures, problems),
            closet_ids=frozenset(pk for one in of_zone if (pk := names.closet_of(one)) is not None),
        )
    return found


def cautions_of_zone(zone: Zone, load: ZoneLoad) -> tuple[CautionHere, ...]:
    """Cautions at the places of the things that bear on the zone."""
    return Hazards(load.closet_ids, {zone.site_id: first_step_after(load.as_of)}).cautions(
        zone.site,
        sorted(load.closet_ids),
        zones=[zone],
        limits=cautions_of_limits(load.figures),
    )


def cautions_of_limits(figures: Iterable[RenderedLoad]) -> frozenset[Caution]:
    """The cautions of the limits that are near, past or cannot be judged."""
    return frozenset(
        caution for one in figures if one.load.verdict > Verdict.WITHIN for caution in one.limit.cautions
    )
