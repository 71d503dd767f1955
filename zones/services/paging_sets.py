"""Zones that page together."""

from __future__ import annotations

from sites.changes.errors import refuse
from sites.changes.operations import operation
from sites.changes.work import Work
from sites.services.usual import Usual
from zones.models import PagingSet, PagingSetZone, Zone


@operation("paging_set.add", "Some zones page together.", of=PagingSet)
def paging_set_add(work: Work, /, *, name: str, zones: list[Zone]) -> PagingSet:
    return _add(work, name, zones)


@operation(
    "paging_set.alter",
    "Other zones page together: the set ends, and one of its name takes its place.",
    of=PagingSet,
)
def paging_set_alter(
    work: Work, /, *, paging_set: PagingSet, zones: list[Zone], name: str | None = None
) -> PagingSet:
    work.end(paging_set)
    return _add(work, name or paging_set.name, zones)


paging_set_end = Usual(PagingSet).ends("Zones do not page together any more.")


def _add(work: Work, name: str, zones: list[Zone]) -> PagingSet:
    members = list(dict.fromkeys(zones))
    if not members:
        raise refuse("A paging set needs at least one zone.", code="required", path="/zone_ids")
    paging_set = work.add(PagingSet(name=name))
    PagingSetZone.objects.bulk_create(
        PagingSetZone(
            paging_set=paging_set, zone=zone, site_id=work.site_id, change_set_id=work.change_set.pk
        )
        for zone in members
    )
    return paging_set
