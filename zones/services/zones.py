"""Zones, and the network speakers heard in them without a run."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sites.changes.operations import Use, operation
from sites.changes.work import Work, describe
from sites.fields import facts_of
from sites.models import Endpoint, Placed
from sites.services.uses import facts_from, require_unused, standing_at, used_by
from zones.models import PagingSet, PointFacts, RunFacts, Zone, ZoneEndpoint


@operation("zone.add", "A zone is set up.", of=Zone, takes=facts_of(Zone, "name"))
def zone_add(work: Work, /, *, name: str, **given: Any) -> Zone:
    return work.add(Zone(name=name, **given))


@operation("zone.alter", "What is said of a zone changes.", of=Zone, takes=facts_of(Zone), use=Use.ANY)
def zone_alter(work: Work, /, *, zone: Zone, **given: Any) -> Zone:
    work.alter(zone, given)
    return zone


@operation("zone.end", "A zone is given up.")
def zone_end(work: Work, /, *, zone: Zone) -> Zone:
    require_unused(work, zone)
    work.end(zone)
    return zone


@operation("zone_endpoint.add", "A network speaker is heard in a zone from now on.")
def zone_endpoint_add(work: Work, /, *, zone: Zone, endpoint: Endpoint) -> ZoneEndpoint:
    return work.add(ZoneEndpoint(zone=zone, endpoint=endpoint))


@operation("zone_endpoint.end", "A network speaker is not heard in a zone any more.")
def zone_endpoint_end(work: Work, /, *, zone_endpoint: ZoneEndpoint) -> ZoneEndpoint:
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
