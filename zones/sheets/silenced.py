"""What falls silent with a source that is switched off, or a run that is disconnected, and whom to tell.

To isolate one run, a technician has to know of all the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sites.models import Contact
from sites.wording import listed
from zones.electrical.subjects import SubjectKind
from zones.models import Zone
from zones.selectors import points_with_connections, runs_before
from zones.subjects import called

from .reaching import contacts_of

Source = tuple[str, int]
"""Kind of source (supply, amplifier or endpoint) and its id. An output has no switch of its own: with its
device, all outputs of that are off."""


@dataclass(frozen=True)
class Silenced:
    """In words and life safety first: by source, all that falls silent while it is off; by id of a run, the
    zones in which it is heard, where any is recorded."""

    by_source: Mapping[Source, str]
    by_run: Mapping[int, str]


_FIRST = (Zone.LifeSafety.YES, Zone.LifeSafety.UNKNOWN, Zone.LifeSafety.NO)
_SAID = {
    Zone.LifeSafety.YES: "zone {} (serves life safety)",
    Zone.LifeSafety.UNKNOWN: "zone {} (life safety not recorded)",
    Zone.LifeSafety.NO: "zone {}",
}


def silenced(site_id: int, before: int) -> Silenced:
    """What falls silent on a site with each source and each run. Two queries."""
    runs: dict[Source, dict[int, str]] = defaultdict(dict)
    zones: dict[Source, dict[int, Zone]] = defaultdict(dict)
    own_zones: dict[int, list[Zone]] = defaultdict(list)
    feeding: dict[int, set[Source]] = defaultdict(set)
    by_run: dict[int, str] = {}
    for point in points_with_connections(before, site_id=site_id):
        if point.zone is not None:
            own_zones[point.run_id].append(point.zone)
        if point.feed_supply_id is not None:
            feeding[point.run_id].add(("supply", point.feed_supply_id))
    for run, facts in runs_before(before, site_ids=[site_id]):
        for kind in ("supply", "amplifier"):
            pk = getattr(facts, f"{kind}_id")
            if pk is not None:
                feeding[run.pk].add((kind, pk))
        if facts.output is not None:
            feeding[run.pk].add(("endpoint", facts.output.endpoint_id))
        heard = [*([facts.zone] if facts.zone is not None else ()), *own_zones[run.pk]]
        if heard:
            by_run[run.pk] = _listed({zone.pk: zone for zone in heard}.values())
        for source in feeding[run.pk]:
            zones[source] |= {zone.pk: zone for zone in heard}
            if not heard:
                runs[source][run.pk] = called(SubjectKind.RUN, run.name)
    by_source = {
        source: _listed(zones[source].values(), runs[source].values())
        for source in zones.keys() | runs.keys()
    }
    return Silenced(by_source, by_run)


def _listed(zones: Iterable[Zone], runs: Iterable[str] = ()) -> str:
    return listed([*_zones(zones), *runs], None)


def _zones(zones: Iterable[Zone]) -> list[str]:
    ranked = sorted(zones, key=lambda zone: (_FIRST.index(Zone.LifeSafety(zone.life_safety)), zone.name))
    return [_SAID[Zone.LifeSafety(zone.life_safety)].format(zone.name) for zone in ranked]


def whom_to_tell(site_id: int, closet_id: int) -> str:
    """The site contacts by name; blank: none is recorded. One query."""
    found = contacts_of(site_id, closet_id)
    return listed([row.name for row in found if row.role == Contact.Role.SITE], None)
