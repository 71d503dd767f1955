"""Zones, and the network speakers heard in them without a run."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TypedDict, Unpack

from sites.changes.operations import Use, operation
from sites.changes.work import Work, describe
from sites.models import Endpoint, Placed
from sites.services.uses import facts_from, require_unused, standing_at, used_by
from zones.models import PagingSet, PointFacts, RunFacts, Zone, ZoneEndpoint


class ZoneDetails(TypedDict, total=False):
    page_code: str
    groups: list[str]
    priority: int | None
    life_safety: Zone.LifeSafety
    note: str


class ZoneAltered(ZoneDetails, total=False):
    name: str


@operation("zone.add", "A zone is set up.")
def zone_add(work: Work, *, name: str, **details: Unpack[ZoneDetails]) -> Zone:
    return work.add(Zone(name=name, **details))


@operation("zone.alter", "What is said of a zone changes.", use=Use.ANY)
def zone_alter(work: Work, *, zone: Zone, **altered: Unpack[ZoneAltered]) -> Zone:
    work.alter(zone, altered)
    return zone


@operation("zone.end", "A zone is given up.")
def zone_end(work: Work, *, zone: Zone) -> Zone:
    require_unused(work, zone)
    work.end(zone)
    return zone


@operation("zone_endpoint.add", "A network speaker is heard in a zone from now on.")
def zone_endpoint_add(work: Work, *, zone: Zone, endpoint: Endpoint) -> ZoneEndpoint:
    return work.add(ZoneEndpoint(zone=zone, endpoint=endpoint))


@operation("zone_endpoint.end", "A network speaker is not heard in a zone any more.")
def zone_endpoint_end(work: Work, *, zone_endpoint: ZoneEndpoint) -> ZoneEndpoint:
    work.end(zone_endpoint)
    return zone_endpoint


@used_by(Zone)
def _in_zone(work: Work, zone: Placed) -> Iterable[str]:
    for row in facts_from(work, RunFacts, zone_id=zone.pk).select_related("run"):
        if row.run.end_step is None or row.run.end_step > work.step:
            yield describe(row.run)
    for row in facts_from(work, PointFacts, zone_id=zone.pk).select_related("point", "run"):
        if row.run.end_step is None or row.run.end_step > work.step:
            yield describe(row.point)
    for heard in standing_at(work, ZoneEndpoint, zone=zone).select_related("endpoint"):
        yield describe(heard.endpoint)
    for paging_set in standing_at(work, PagingSet, members__zone=zone):
        yield describe(paging_set)


@used_by(Endpoint)
def _heard_in(work: Work, endpoint: Placed) -> Iterable[str]:
    for heard in standing_at(work, ZoneEndpoint, endpoint=endpoint).select_related("zone"):
        yield describe(heard.zone)
