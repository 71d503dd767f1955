"""What a page passes through on its way to a zone: runs with all that feeds them, and network speakers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Q

from sites.models import Closet, EndpointFacts
from sites.selectors import facts_before, holding, standing
from zones.models import PointFacts, Run, RunFacts, Zone, ZoneEndpoint
from zones.selectors import runs_before


@dataclass(frozen=True)
class FeedingThing:
    """kind: as figures call it (``supply``). name: its own."""

    kind: str
    id: int
    name: str


@dataclass(frozen=True)
class FeedingDevice:
    """A networked device. powered_by: in words, blank where it is not recorded. port, switch: that it is
    connected to; None: to none, or not recorded."""

    endpoint: FeedingThing
    powered_by: str
    port: FeedingThing | None
    switch: FeedingThing | None


@dataclass(frozen=True)
class MidRunFeed:
    """A supply that feeds a run at a point rather than at the block."""

    supply: FeedingThing
    at: str


@dataclass(frozen=True)
class FeedingRun:
    """A run that is heard in the zone. kind: as runs have it. points: how many of its points are heard there,
    where the run itself is of another zone or of none; None: it is the zone's own. closet: where its block
    is. device: behind its output."""

    run: FeedingThing
    kind: str
    points: int | None
    closet: FeedingThing
    block: FeedingThing
    output: FeedingThing | None
    device: FeedingDevice | None
    supply: FeedingThing | None
    mid_run: tuple[MidRunFeed, ...]
    amplifier: FeedingThing | None


@dataclass(frozen=True)
class ZoneFeeds:
    """runs: the zone's own, then those with points in it, by name. speakers: network speakers."""

    runs: tuple[FeedingRun, ...]
    speakers: tuple[FeedingDevice, ...]


def zone_feeds(zone: Zone, before: int) -> ZoneFeeds:
    """What feeds a zone. Four queries, however much that is."""
    heard_there, mid_run = _special_points(zone, before)
    runs = [
        (run, facts)
        for run, facts in runs_before(before, site_ids=[zone.site_id])
        if facts.zone_id == zone.pk or run.pk in heard_there
    ]
    speakers = standing(ZoneEndpoint, before, site_id=zone.site_id, zone=zone).select_related("endpoint")
    endpoints = {row.endpoint_id: row.endpoint.name for row in speakers}
    heard = sorted(endpoints, key=lambda pk: (endpoints[pk], pk))
    for _, facts in runs:
        if facts.output is not None:
            endpoints[facts.output.endpoint_id] = facts.output.endpoint.name
    devices = _devices(zone.site_id, endpoints, before)
    return ZoneFeeds(
        runs=tuple(
            _run(
                run,
                facts,
                points=None if facts.zone_id == zone.pk else heard_there[run.pk],
                closet=run.block.closet,
                devices=devices,
                mid_run=mid_run[run.pk],
            )
            for run, facts in sorted(runs, key=lambda pair: pair[1].zone_id != zone.pk)
        ),
        speakers=tuple(devices[pk] for pk in heard),
    )


def _special_points(zone: Zone, before: int) -> tuple[dict[int, int], dict[int, list[MidRunFeed]]]:
    """By run, how many of its points are assigned to the zone, and where it is fed in mid-run."""
    rows = (
        holding(PointFacts, before)
        .filter(Q(zone=zone) | Q(feed_supply__isnull=False), site_id=zone.site_id)
        .select_related("point", "feed_supply")
        .order_by("run_id", "rank")
    )
    heard_there: dict[int, int] = defaultdict(int)
    mid_run: dict[int, list[MidRunFeed]] = defaultdict(list)
    for row in rows:
        if row.zone_id == zone.pk:
            heard_there[row.run_id] += 1
        if row.feed_supply is not None:
            supply = FeedingThing("supply", row.feed_supply.pk, row.feed_supply.name)
            mid_run[row.run_id].append(MidRunFeed(supply, row.point.name))
    return heard_there, mid_run


def _devices(site_id: int, names: Mapping[int, str], before: int) -> dict[int, FeedingDevice]:
    """Some endpoints by id, with what powers them and where they are connected."""
    rows = facts_before(EndpointFacts, before, site_id=site_id, endpoint_id__in=names)
    held = {row.endpoint_id: row for row in rows.select_related("port__switch")}
    return {pk: _device(FeedingThing("endpoint", pk, name), held.get(pk)) for pk, name in names.items()}


def _device(endpoint: FeedingThing, facts: EndpointFacts | None) -> FeedingDevice:
    unknown = facts is None or facts.power_source == EndpointFacts.PowerSource.UNKNOWN
    powered_by = "" if facts is None or unknown else facts.get_power_source_display()
    port = facts.port if facts is not None else None
    if port is None:
        return FeedingDevice(endpoint, powered_by, None, None)
    return FeedingDevice(
        endpoint,
        powered_by,
        FeedingThing("port", port.pk, str(port.number)),
        FeedingThing("switch", port.switch_id, port.switch.name),
    )


def _run(
    run: Run,
    facts: RunFacts,
    *,
    points: int | None,
    closet: Closet,
    devices: Mapping[int, FeedingDevice],
    mid_run: Iterable[MidRunFeed],
) -> FeedingRun:
    output, supply, amplifier = facts.output, facts.supply, facts.amplifier
    return FeedingRun(
        run=FeedingThing("run", run.pk, run.name),
        kind=run.kind,
        points=points,
        closet=FeedingThing("closet", closet.pk, closet.name),
        block=FeedingThing("block", run.block_id, run.block.name),
        output=None if output is None else FeedingThing("output", output.pk, str(output.number)),
        device=None if output is None else devices[output.endpoint_id],
        supply=None if supply is None else FeedingThing("supply", supply.pk, supply.name),
        mid_run=tuple(mid_run),
        amplifier=None if amplifier is None else FeedingThing("amplifier", amplifier.pk, amplifier.name),
    )
