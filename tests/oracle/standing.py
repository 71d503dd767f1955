"""What stands at a step, and how it is connected: runs with their points, and the DC trees they make."""

from __future__ import annotations

from dataclasses import dataclass, field

from .record import Record, Row
from .values import NAN, PointValues


@dataclass
class StandingPoint:
    """A point that stands. above: its parent, None at the block. orphan: that is not there."""

    id: int
    run: int
    row: Row
    above: StandingPoint | None = None
    orphan: bool = False


@dataclass
class StandingRun:
    id: int
    kind: str
    row: Row
    points: list[StandingPoint] = field(default_factory=list)

    @property
    def orphaned(self) -> bool:
        return any(point.orphan for point in self.points)


class Standing:
    """A record as of a step. Runs and points in the order of their ids and ranks."""

    def __init__(self, record: Record, step: int) -> None:
        self.record, self.step = record, step
        self.runs: dict[int, StandingRun] = {}
        for row in sorted(record.runs, key=lambda row: row.thing):
            if row.holds(step):
                self.runs[row.thing] = StandingRun(row.thing, record.run_kind[row.thing], row)
        here: dict[int, StandingPoint] = {}
        for row in record.points:
            if row.holds(step) and row["run_id"] in self.runs:
                point = StandingPoint(row.thing, row["run_id"], row)
                here[point.id] = point
                self.runs[point.run].points.append(point)
        for point in here.values():
            parent = point.row["parent_id"]
            point.above = here.get(parent) if parent is not None else None
            point.orphan = parent is not None and point.above is None

    def of(self, table: str) -> dict[int, Row]:
        """The rows of a table that hold, by thing."""
        return {row.thing: row for row in self.record.tables()[table] if row.holds(self.step)}

    def signal(self, point: StandingPoint) -> str:
        """What the zone of the point's run is said to carry then; ``unknown`` without a zone, too."""
        zone = self.runs[point.run].row["zone_id"]
        for row in self.record.zones:
            if row.holds(self.step) and row.thing == zone:
                return str(row["signal"] or "unknown")
        return "unknown"

    def paging_sets(self) -> dict[int, set[int]]:
        """Zones by paging set."""
        sets: dict[int, set[int]] = {}
        for row in self.record.paging:
            if row.holds(self.step):
                sets.setdefault(row.thing, set()).add(row["zone_id"])
        return sets


@dataclass
class Fed:
    """A point in the DC tree of a supply. above: the one it is fed through, None at the feed. segment: the
    point whose segment of cable leads there, None where the supply lands on the point itself. at_block: fed
    there."""

    point: StandingPoint
    above: Fed | None
    segment: StandingPoint | None
    at_block: bool


@dataclass
class DcRun:
    """A self-amplified run cut into sections. fed: by point, of those that one supply feeds. cut_off: points
    of sections behind a cut that nothing feeds. met: the most feeds that meet in a section, 0 where none do.
    others: the points at which another feed lands than the one that comes first. shared: the supplies that
    meet. reached: by supply, the points of the sections that it is connected to, met by others or not."""

    run: StandingRun
    fed: dict[int, Fed] = field(default_factory=dict)
    supply_of: dict[int, int] = field(default_factory=dict)
    cut_off: list[StandingPoint] = field(default_factory=list)
    met: int = 0
    others: list[StandingPoint] = field(default_factory=list)
    shared: set[int] = field(default_factory=set)
    reached: dict[int, list[StandingPoint]] = field(default_factory=dict)

    @property
    def has_supply(self) -> bool:
        """Some supply is recorded, at the block or at a point."""
        at_points = (point.row["feed_supply_id"] for point in self.run.points)
        return any(supply is not None for supply in (self.run.row["supply_id"], *at_points))


def dc_run(run: StandingRun) -> DcRun:
    """Each section, what lies between cuts of the negative, is a tree rooted at its own feed.

    A section that reaches the block uncut is fed there if the run has a supply; any other at the one of its
    points that a supply lands on. Where more feeds meet in a section, what each carries is unknown.
    """
    out = DcRun(run)
    sections: dict[int, list[StandingPoint]] = {}
    top_of: dict[int, StandingPoint] = {}
    for point in run.points:
        top = point if point.above is None or point.row["negative_cut"] else top_of[point.above.id]
        top_of[point.id] = top
        sections.setdefault(top.id, []).append(point)
    block_supply = run.row["supply_id"]
    for points in sections.values():
        top = points[0]
        at_block = top.above is None and not top.row["negative_cut"] and block_supply is not None
        feeds = [point for point in points if point.row["feed_supply_id"] is not None]
        for supply in {point.row["feed_supply_id"] for point in feeds} | (
            {block_supply} if at_block else set()
        ):
            out.reached.setdefault(supply, []).extend(points)
        if at_block + len(feeds) > 1:
            out.met = max(out.met, at_block + len(feeds))
            out.others += feeds if at_block else feeds[1:]
            out.shared |= {point.row["feed_supply_id"] for point in feeds}
            out.shared |= {block_supply} if at_block else set()
        elif at_block:
            _attach(out, points, block_supply)
        elif feeds:
            _attach_from(out, points, feeds[0])
        elif top.row["negative_cut"]:
            out.cut_off += points
    return out


def _attach(out: DcRun, points: list[StandingPoint], supply: int) -> None:
    for point in points:
        inside = point is not points[0]
        above = out.fed[point.above.id] if inside and point.above is not None else None
        out.fed[point.id] = Fed(point, above, point, at_block=not inside)
        out.supply_of[point.id] = supply


def _attach_from(out: DcRun, points: list[StandingPoint], feed: StandingPoint) -> None:
    """Walk away from the feed in all directions; a segment is the same whichever end it is fed from."""
    beside: dict[int, list[tuple[StandingPoint, StandingPoint]]] = {point.id: [] for point in points}
    for point in points[1:]:
        assert point.above is not None
        beside[point.above.id].append((point, point))
        beside[point.id].append((point.above, point))
    out.fed[feed.id] = Fed(feed, None, None, at_block=False)
    to_visit = [feed]
    for at in to_visit:
        out.supply_of[at.id] = feed.row["feed_supply_id"]
        for neighbour, segment in beside[at.id]:
            if neighbour.id not in out.fed:
                out.fed[neighbour.id] = Fed(neighbour, out.fed[at.id], segment, at_block=False)
                to_visit.append(neighbour)


@dataclass
class Source:
    """worst_v: at the bottom of its tolerance or battery. open_v: without either. top_v: the most that it
    ever delivers."""

    worst_v: float
    open_v: float
    top_v: float
    ohm: float
    rated_a: float
    full_v: float
    class_2: bool | None
    sags: bool


def source_of(record: Record, row: Row | None) -> Source:
    """A supply as its model says; NaN where it does not.

    No-load and rated-load voltage and rated current give the internal resistance; one voltage alone is stiff,
    and so is a battery at its lowest.
    """
    model = record.model(row["model_id"]) if row is not None else {}
    no_load, loaded = model.get("no_load_voltage_v"), model.get("rated_load_voltage_v")
    rated, lowest = model.get("rated_current_a"), model.get("lowest_voltage_v")
    open_v = no_load if no_load is not None else loaded
    full_v = loaded if loaded is not None else no_load
    ohm = 0.0
    if no_load is not None and loaded is not None and rated is not None and lowest is None:
        ohm = max((no_load - loaded) / rated, 0.0)
    if lowest is not None:
        worst = lowest
    else:
        worst = NAN if open_v is None else open_v * (1 - model["voltage_tolerance"])
    tops = [] if open_v is None else [open_v * (1 + model["voltage_tolerance"])]
    if model.get("float_voltage_v") is not None:
        tops.append(model["float_voltage_v"])
    falls = no_load is not None and loaded is not None and loaded < no_load
    return Source(
        worst_v=worst,
        top_v=max(tops, default=NAN),
        open_v=NAN if open_v is None else open_v,
        ohm=ohm,
        rated_a=NAN if rated is None else rated,
        full_v=NAN if full_v is None else full_v,
        class_2=model.get("class_2_marked"),
        sags=falls and rated is None and lowest is None,
    )


PointTable = dict[int, PointValues]
"""Values of the rows of points, by ``id`` of the row object."""
