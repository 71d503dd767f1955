"""What falls silent with a source that is switched off, and whom to tell.

Whoever isolates one run has to know of all the others."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping

from django.db.models import Q

from sites.models import Contact
from sites.selectors import facts_before
from sites.wording import listed
from zones.models import PointFacts, Zone
from zones.selectors import runs_before

Source = tuple[str, int]
"""Kind of source (supply, amplifier or output) and its id."""

_FIRST = (Zone.LifeSafety.YES, Zone.LifeSafety.UNKNOWN, Zone.LifeSafety.NO)
_SAID = {
    Zone.LifeSafety.YES: "zone {} (serves life safety)",
    Zone.LifeSafety.UNKNOWN: "zone {} (life safety not recorded)",
    Zone.LifeSafety.NO: "zone {}",
}


def silenced(site_id: int, before: int) -> Mapping[Source, str]:
    """By source, all that falls silent while it is off, in words and life safety first. Three queries."""
    runs: dict[Source, dict[int, str]] = defaultdict(dict)
    zones: dict[Source, dict[int, Zone]] = defaultdict(dict)
    own_zones: dict[int, list[Zone]] = defaultdict(list)
    feeding: dict[int, set[Source]] = defaultdict(set)
    special = PointFacts.objects.filter(site_id=site_id).filter(
        Q(zone__isnull=False) | Q(feed_supply__isnull=False)
    )
    points = facts_before(PointFacts, before, point_id__in=special.values("point_id"))
    for point in points.select_related("zone"):
        if point.zone is not None:
            own_zones[point.run_id].append(point.zone)
        if point.feed_supply_id is not None:
            feeding[point.run_id].add(("supply", point.feed_supply_id))
    for run, facts in runs_before(before, site_ids=[site_id]):
        for kind in ("supply", "amplifier", "output"):
            pk = getattr(facts, f"{kind}_id")
            if pk is not None:
                feeding[run.pk].add((kind, pk))
        heard = [*([facts.zone] if facts.zone is not None else ()), *own_zones[run.pk]]
        for source in feeding[run.pk]:
            zones[source] |= {zone.pk: zone for zone in heard}
            if not heard:
                runs[source][run.pk] = f"run {run.name}"
    return {
        source: listed([*_zones(zones[source].values()), *runs[source].values()], None)
        for source in zones.keys() | runs.keys()
    }


def _zones(zones: Iterable[Zone]) -> list[str]:
    ranked = sorted(zones, key=lambda zone: (_FIRST.index(Zone.LifeSafety(zone.life_safety)), zone.name))
    return [_SAID[Zone.LifeSafety(zone.life_safety)].format(zone.name) for zone in ranked]


def whom_to_tell(site_id: int, closet_id: int) -> str:
    """The site contacts by name; blank: none is recorded. One query."""
    rows = Contact.objects.filter(
        Q(closet=closet_id) | Q(closet__isnull=True), site_id=site_id, role=Contact.Role.SITE
    )
    return listed([row.name for row in rows.order_by("name", "pk")], None)
