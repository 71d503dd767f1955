"""Zones, what is paged to them, and the network speakers heard in them without a run."""

from __future__ import annotations

from collections.abc import Iterable

from sites.changes.work import Work, describe
from sites.models import Endpoint, Placed
from sites.services.uses import standing_at, used_by, users_from
from sites.services.usual import Usual
from zones.models import PagingSet, PointFacts, RunFacts, Zone, ZoneEndpoint, ZoneFacts

_ZONE = Usual(Zone, ZoneFacts)
zone_add = _ZONE.adds("A zone is set up.", "name")
zone_alter = _ZONE.alters("A zone is paged with another signal, or it is described otherwise.")
zone_correct = _ZONE.corrects("What is recorded of the signal of a zone was wrong.")
zone_end = _ZONE.ends("A zone is given up.")

_ZONE_ENDPOINT = Usual(ZoneEndpoint)
zone_endpoint_add = _ZONE_ENDPOINT.adds(
    "A network speaker is heard in a zone from now on.", "zone", "endpoint"
)
zone_endpoint_end = _ZONE_ENDPOINT.ends("A network speaker is not heard in a zone any more.")


@used_by(Zone)
def _in_zone(work: Work, zone: Placed) -> Iterable[str]:
    for row in users_from(work, RunFacts, "run", zone_id=zone.pk):
        yield describe(row.run)
    for row in users_from(work, PointFacts, "run", zone_id=zone.pk).select_related("point"):
        yield describe(row.point)
    for heard in standing_at(work, ZoneEndpoint, zone=zone).select_related("endpoint"):
        yield describe(heard.endpoint)
    for paging_set in standing_at(work, PagingSet, members__zone=zone):
        yield describe(paging_set)


@used_by(Endpoint)
def _heard_in(work: Work, endpoint: Placed) -> Iterable[str]:
    for heard in standing_at(work, ZoneEndpoint, endpoint=endpoint).select_related("zone"):
        yield describe(heard.zone)
