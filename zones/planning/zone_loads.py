"""What a zone carries: all figures that bear on it, with their limits, in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from zones.electrical.verdicts import Verdict

from .bearing import subjects_of_zones
from .loads import SiteLoads, Subject, site_loads, smallest_headroom
from .wording import NotComputed, RenderedLoad, not_computed, render_loads, summary, worst_of


@dataclass(frozen=True, eq=False)
class ZoneLoad:
    """figures: worst verdict first, then least headroom. verdict: the worst of them. tightest: the one of
    least headroom, None where none is known. known: whether anything that feeds the zone is recorded."""

    zone_id: int
    as_of: dt.date
    figures: tuple[RenderedLoad, ...]
    problems: tuple[NotComputed, ...]
    tightest: RenderedLoad | None
    verdict: Verdict
    summary: str

    @property
    def known(self) -> bool:
        return bool(self.figures or self.problems)


def zone_load(zone_id: int, site_id: int, as_of: dt.date) -> tuple[ZoneLoad, SiteLoads]:
    """What a zone carries on a day, and the loads of its whole site that it was taken from."""
    loads = site_loads(site_id, as_of)
    return loads_of_zones(loads, [zone_id])[zone_id], loads


def loads_of_zones(loads: SiteLoads, zone_ids: Collection[int]) -> Mapping[int, ZoneLoad]:
    """What each of some zones of a site carries, their names read at once."""
    subjects = subjects_of_zones(loads)
    bearing = {zone_id: subjects.get(zone_id, set()) for zone_id in zone_ids}
    everything: set[Subject] = set().union(*bearing.values())
    figures = {(one.load.code, one.load.subject): one for one in render_loads(loads.of(everything))}
    problems = not_computed(loads.problems_of(everything))
    found = {}
    for zone_id, of_zone in bearing.items():
        chosen = tuple(figures[load.code, load.subject] for load in loads.of(of_zone))
        amiss = tuple(one for one in problems if one.subject in of_zone)
        least = smallest_headroom(one.load for one in chosen)
        found[zone_id] = ZoneLoad(
            zone_id=zone_id,
            as_of=loads.as_of,
            figures=chosen,
            problems=amiss,
            tightest=None if least is None else figures[least.code, least.subject],
            verdict=worst_of(chosen, amiss),
            summary=summary(chosen, amiss),
        )
    return found
