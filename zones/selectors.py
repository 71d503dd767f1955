"""What zones carried, as of a day; see ``sites.selectors`` for what "before a step" means."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.lookups import IsNull

from sites.models import CableType
from sites.once import once
from sites.selectors import Before, comes_before, facts_before, holding, site_of, standing, stood
from zones.models import ClipFacts, Landing, Point, PointFacts, Reading, Run, RunFacts, Zone
from zones.pair_colours import colour_in_cable


@once
def points_before(before: int, *, site_id: int, run_ids: Collection[int]) -> list[PointFacts]:
    """The facts that held of every point of these runs of a site, by run and in the run's order: parents
    before children.

    One query; points, models and cable types come with it.
    """
    rows = facts_before(PointFacts, before, site_id=site_id, run_id__in=run_ids)
    return sorted(rows.select_related("point", "model", "cable_type"), key=lambda row: (row.run_id, row.rank))


@once
def points_at_ends_and_feeds(before: int, *, site_id: int) -> list[PointFacts]:
    """Of all points of a site, those at the end of a segment that lands on a block and those that a supply
    feeds, by run and in the run's order. One query; points and cable types come with it."""
    rows = holding(PointFacts, before).filter(
        Q(parent__isnull=True) | Q(feed_supply__isnull=False), site_id=site_id
    )
    return sorted(rows.select_related("point", "cable_type"), key=lambda row: (row.run_id, row.rank))


def heard_in_zone(points: QuerySet[Point], zone_id: int, before: Before) -> QuerySet[Point]:
    """Of ``points`` those heard in a zone: on its runs unless they name another zone, and points of other
    runs that name it. All are of the zone's site, and so are the runs, whose ends are looked at: without that
    PostgreSQL reads the runs of all sites."""
    of_zone = {"site_id": site_of(Zone, zone_id)}
    of_point = holding(PointFacts, before).filter(point_id=OuterRef("pk"), **of_zone)
    on_its_run = holding(RunFacts, before).filter(run_id=OuterRef("run_id"), zone_id=zone_id, **of_zone)
    return points.filter(
        Q(Exists(of_point.filter(zone_id=zone_id)))
        | Q(Exists(on_its_run), Exists(of_point.filter(zone__isnull=True))),
        run__site_id=of_zone["site_id"],
        **of_zone,
    )


def points_of_model(points: QuerySet[Point], model_id: int, before: Before) -> QuerySet[Point]:
    """Of ``points`` those of a model. A join, and no condition of each point: so they come in the order of
    their ids, along the index of models, from wherever a page begins."""
    later = PointFacts._default_manager.filter(
        comes_before("step", before), point_id=OuterRef("pk"), step__gt=OuterRef("facts__step")
    )
    return points.filter(~Exists(later), comes_before("facts__step", before), facts__model_id=model_id)


def home_cables(
    before: Before, *, site_ids: Collection[int], run_ids: Collection[int]
) -> dict[int, CableType | None]:
    """By run of these sites, the cable type of the segment that lands on its block. One query."""
    home = holding(PointFacts, before).filter(site_id__in=site_ids, run_id__in=run_ids, parent__isnull=True)
    rows = home.select_related("cable_type").order_by("-rank")
    return {row.run_id: row.cable_type for row in rows}


def colour_of(landing: Landing, cables: Mapping[int, CableType | None]) -> str:
    """The colour of a landed conductor, by the cable type of its run; of equipment the 25-pair code."""
    cable = cables.get(landing.run_id) if landing.run_id is not None else None
    return colour_in_cable(
        landing.pair,
        first=landing.conductor == Landing.Conductor.FIRST,
        paired=cable is None or cable.category or cable.pair_count > 1,
        colours=cable.conductor_colours if cable is not None else "",
    )


@once
def runs_before(
    before: int, *, site_ids: Collection[int], zone_ids: Collection[int] | None = None
) -> list[tuple[Run, RunFacts]]:
    """Runs that stood on the sites, those of some zones only if asked, with what fed them. One query."""
    rows = facts_before(RunFacts, before, site_id__in=site_ids).filter(stood(before, "run__"))
    found = [
        (row.run, row)
        for row in rows.select_related(
            "run__block", "zone", "output__endpoint__closet", "supply__closet", "amplifier__closet"
        )
        if zone_ids is None or row.zone_id in zone_ids
    ]
    return sorted(found, key=lambda pair: (pair[0].name, pair[0].pk))


def landings_before(before: int, *, block_ids: Collection[int]) -> list[Landing]:
    """What lay on the blocks, row by row."""
    rows = standing(Landing, before, block_id__in=block_ids)
    return list(
        rows.select_related("run", "output__endpoint", "supply", "amplifier").order_by(
            "block_id", "row", "side", "id"
        )
    )


def pulled_clips_before(before: Before, *, block_ids: Collection[int]) -> set[tuple[int, int]]:
    """(block, row) of every row whose clip was out; a row that nothing is recorded of has its clip in."""
    rows = facts_before(ClipFacts, before, block_id__in=block_ids)
    return {(row.block_id, row.row) for row in rows if not row.is_in}


def was_superseded(*, superseded: bool) -> IsNull:
    """The condition that another reading took the place of a reading, or that none did. It is asked for each
    reading of a page: joined, all readings would be read."""
    newer = Reading._default_manager.filter(supersedes=OuterRef("pk")).order_by().values("pk")
    return IsNull(Subquery(newer), not superseded)
