"""What zones carried, as of a day; see ``sites.selectors`` for what "before a step" means."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.expressions import RawSQL
from django.db.models.lookups import IsNull

from sites.fields import Ids
from sites.models import CableType
from sites.once import once
from sites.selectors import Before, comes_before, facts_before, facts_of_things, holding, site_of, stood
from zones.models import ClipFacts, Landing, PagingSetZone, Point, PointFacts, Run, RunFacts, Test, Zone
from zones.pair_colours import colour_in_cable


@once
def points_before(before: int, *, site_id: int, run_ids: Collection[int]) -> list[PointFacts]:
    """The facts that held of every point of these runs of a site, by run and in the run's order: parents
    before children.

    One query; points, models, cable types, supplies and zones come with it.
    """
    rows = facts_before(PointFacts, before, site_id=site_id, run_id__in=run_ids)
    related = rows.select_related("point", "model", "cable_type", "feed_supply", "zone")
    return sorted(related, key=lambda row: (row.run_id, row.rank))


@once
def points_with_connections(before: int, *, site_id: int) -> list[PointFacts]:
    """The points of a site whose segment lands on a block, those that a supply feeds and those that name a
    zone of their own, by run and in the run's order. One query; points, cable types, supplies and zones come
    with it."""
    connected = Q(parent__isnull=True) | Q(feed_supply__isnull=False) | Q(zone__isnull=False)
    rows = holding(PointFacts, before).filter(connected, site_id=site_id)
    related = rows.select_related("point", "cable_type", "feed_supply__closet", "zone")
    return sorted(related, key=lambda row: (row.run_id, row.rank))


def zones_of_sets(set_ids: Iterable[int]) -> Mapping[int, list[int]]:
    """By paging set, the ids of its zones, in order. One query."""
    found: dict[int, list[int]] = defaultdict(list)
    rows = PagingSetZone.objects.filter(paging_set__among=Ids(set_ids)).order_by("zone_id")
    for set_id, zone_id in rows.values_list("paging_set_id", "zone_id"):
        found[set_id].append(zone_id)
    return found


def heard_in_zone(points: QuerySet[Point], zone_id: int, before: Before) -> QuerySet[Point]:
    """The ``points`` that are heard in a zone: those on its runs unless they name another zone, and points of
    other runs that name it. The query names the zone's site for points and runs alike; without that
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
    """The ``points`` of a model. It is a join and not a condition of each point, so they come in the order of
    their ids, along the index of models, from any point at which a page begins."""
    later = PointFacts._default_manager.filter(
        comes_before("step", before), point_id=OuterRef("pk"), step__gt=OuterRef("facts__step")
    )
    return points.filter(~Exists(later), comes_before("facts__step", before), facts__model_id=model_id)


def home_cables(
    before: Before, *, site_ids: Collection[int], run_ids: Collection[int]
) -> dict[int, CableType | None]:
    """By run of these sites, the cable type of the segment that lands on its block. One query."""
    home = holding(PointFacts, before).filter(
        site_id__in=site_ids, run__among=Ids(run_ids), parent__isnull=True
    )
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
            "run__block__closet", "zone", "output__endpoint__closet", "supply__closet", "amplifier__closet"
        )
        if zone_ids is None or row.zone_id in zone_ids
    ]
    return sorted(found, key=lambda pair: (pair[0].name, pair[0].pk))


def pulled_clips_before(before: Before, *, block_ids: Collection[int]) -> set[tuple[int, int]]:
    """(block, row) of every row whose clip was out; a row that nothing is recorded of has its clip in."""
    rows = facts_of_things(ClipFacts, before, block_ids)
    return {(row.block_id, row.row) for row in rows if not row.is_in}


def was_superseded(*, superseded: bool) -> IsNull:
    """The condition that another test took the place of a test, or that none did. It is asked for each
    test of a page: joined, all tests would be read."""
    newer = Test._default_manager.filter(supersedes=OuterRef("pk")).order_by().values("pk")
    return IsNull(Subquery(newer), not superseded)


def place_in_day(test: str) -> str:
    """SQL: a number by which the tests of one kind and day, of one thing, are in the order in which they were
    taken. test: the name of the table in the query, which has all of such a day that count.

    By their times. Where one has none, those as found come first, and else the one recorded later is the
    later. One that superseded another stands where that stood, since only what was said of it changed.
    """
    return f"""(
        CASE WHEN bool_or({test}.taken_at = '') OVER (
                PARTITION BY {test}.run_id, {test}.switch_id, {test}.zone_id, {test}.kind, {test}.taken_on)
            THEN ({test}.taken_as IS DISTINCT FROM '{Test.TakenAs.AS_FOUND}')::int::bigint
            ELSE split_part({test}.taken_at, ':', 1)::bigint * 60
                + split_part({test}.taken_at, ':', 2)::bigint END * (1::bigint << 48)
        + CASE WHEN {test}.supersedes_id IS NULL THEN {test}.id ELSE (
            WITH RECURSIVE earlier (id, supersedes_id) AS (
                SELECT {test}.id, {test}.supersedes_id
                UNION ALL
                SELECT o.id, o.supersedes_id FROM reading o JOIN earlier e ON o.id = e.supersedes_id
            ) SELECT min(id) FROM earlier) END)"""  # noqa: S608 - the name is ours


def in_order_taken(tests: QuerySet[Test]) -> QuerySet[Test]:
    """Tests that count, by day, and within it in the order in which they were taken."""
    return tests.order_by("taken_on", RawSQL(place_in_day('"reading"'), []), "pk")  # noqa: S611 - no input
