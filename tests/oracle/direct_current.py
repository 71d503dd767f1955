"""Self-amplified runs: what the supply, the fuse, each conductor and the last speaker see during a page."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from .feeds import feeds
from .figures import RULES, Figure, Spot, Subject, tied, worst, worst_spots
from .networks import Node, Undecided
from .overloads import Served, nothing_said, serve
from .record import Row
from .standing import DcRun, Fed, Source, Standing, StandingPoint, dc_run, source_of
from .values import NAN, Bands, PointValues, Values
from .wiring_classes import wiring_class

ValuesOf = Callable[[Row], PointValues]
Speaks = Callable[[StandingPoint], bool]
Pairs = set[tuple[int, int]]


@dataclass
class Tree:
    """Everything that one supply feeds. shared: it meets another supply on some section besides. reached: the
    points of every section that it is connected to."""

    supply: int
    source: Source
    fed: list[Fed]
    shared: bool
    reached: list[StandingPoint]


@dataclass
class Seen:
    """The worst of the scenarios. By band: current of supplies; volts and amps of points; amps at the block
    of runs. Pairs with a band: overloaded, runs without a stable voltage; stuck, supplies without a stable
    current; and runs (supplies) of which volts, amps in some segment, at the block, in all may be harsher.
    undecided: supplies so close to collapse that nothing is said. unsolved: how often there was no
    solution."""

    supply_a: dict[tuple[int, int], float]
    volts: dict[tuple[int, int], float]
    branch_a: dict[tuple[int, int], float]
    run_a: dict[tuple[int, int], float]
    undecided: set[int]
    overloaded: Pairs = field(default_factory=set)
    stuck: Pairs = field(default_factory=set)
    volts_bound: Pairs = field(default_factory=set)
    branch_bound: Pairs = field(default_factory=set)
    run_bound: Pairs = field(default_factory=set)
    supply_bound: Pairs = field(default_factory=set)
    unsolved: int = 0


def trees_of(standing: Standing, runs: dict[int, DcRun]) -> list[Tree]:
    shared = set().union(*(run.shared for run in runs.values()))
    by_supply: dict[int, list[Fed]] = {supply: [] for supply in shared}
    for run in runs.values():
        for point, supply in run.supply_of.items():
            by_supply.setdefault(supply, []).append(run.fed[point])
    rows = standing.of("supplies")
    return [
        Tree(
            supply,
            source_of(standing.record, rows.get(supply)),
            fed,
            supply in shared,
            [point for run in runs.values() for point in run.reached.get(supply, [])],
        )
        for supply, fed in sorted(by_supply.items())
    ]


def nodes_of(
    fed: list[Fed], band: int, speaking: Speaks, values_of: ValuesOf, toned: Speaks = lambda _: False
) -> list[Node]:
    place = {each.point.id: k for k, each in enumerate(fed)}
    nodes = []
    for each in fed:
        values = values_of(each.point.row)
        amps, watts = values.idle_a, values.idle_w
        if speaking(each.point):
            amps, watts = values.speech_a, values.speech_w
            if toned(each.point):
                amps, watts = values.full_a, values.full_w
        nodes.append(
            Node(
                parent=None if each.above is None else place[each.above.point.id],
                ohm=_ohm(each, band, values_of),
                amps=amps[band],
                watts=watts[band],
            )
        )
    return nodes


def _ohm(fed: Fed, band: int, values_of: ValuesOf) -> float:
    """Resistance of the segment to a point: its own from its parent, or the one behind it at a feed."""
    if fed.segment is None:
        return 0.0
    return values_of(fed.segment.row).loop_ohm(band, turned=fed.segment is not fed.point)


def direct_current(
    standing: Standing, values: Values, values_of: ValuesOf
) -> tuple[list[Figure], Counter[str]]:
    """Figures supply_current, wiring_class, run_voltage, run_current, conductor_current, no_feed and
    supplies_paralleled, and those at full output; and what out of the ordinary there was."""
    runs = {run.id: dc_run(run) for run in standing.runs.values() if run.kind == "self_amplified"}
    trees = trees_of(standing, runs)
    seen = _seen(standing, values, values_of, trees, lambda point: standing.signal(point) == "tones")
    figures = [figure for tree in trees for figure in _supply_figures(values, tree, seen)]
    figures += [figure for tree in trees for figure in _over_voltage(tree, values_of)]
    pulled_down = {tree.supply for tree in trees if (tree.shared and tree.source.ohm > 0) or tree.source.sags}
    for run in runs.values():
        figures += _run_figures(values, values_of, run, seen, pulled_down)
    figures = _doubtful(figures, runs, seen)
    figures += _at_full_output(standing, values, values_of, runs, trees, pulled_down)
    for run in runs.values():
        figures += feeds(run, values_of)
    extraordinary = {
        "no solution": seen.unsolved,
        "fed in its midst": sum(1 for tree in trees for each in tree.fed if each.segment is None),
        "paging sets": len(standing.paging_sets()),
        "watts": sum(1 for tree in trees for each in tree.fed if values_of(each.point.row).speech_w.high > 0),
    }
    return figures, Counter(extraordinary)


def _seen(standing: Standing, values: Values, values_of: ValuesOf, trees: list[Tree], toned: Speaks) -> Seen:
    seen = Seen({}, {}, {}, {}, set())
    for speaking, of_trees in _scenarios(standing, trees):
        _see(values, values_of, of_trees, speaking, toned, seen)
    return seen


def _doubtful(figures: list[Figure], runs: dict[int, DcRun], seen: Seen) -> list[Figure]:
    doubtful = {("supply", supply) for supply in seen.undecided} | {
        ("run", run.run.id) for run in runs.values() if seen.undecided & set(run.supply_of.values())
    }
    return [replace(figure, undecided=figure.subject in doubtful) for figure in figures]


def _at_full_output(
    standing: Standing,
    values: Values,
    values_of: ValuesOf,
    runs: dict[int, DcRun],
    trees: list[Tree],
    pulled_down: set[int],
) -> list[Figure]:
    """The advice: zones not known to carry speech only at full output. Of the runs of zones of which nothing
    is recorded and their supplies; and the voltage of what these supplies pull down."""
    not_recorded = {
        run.run.id
        for run in runs.values()
        if any(standing.signal(point) == "unknown" for point in run.run.points)
    }
    if not not_recorded:
        return []
    supplies = {tree.supply for tree in trees if any(each.point.run in not_recorded for each in tree.fed)}
    yielding = {tree.supply for tree in trees if tree.supply in supplies and tree.source.ohm > 0}
    seen = _seen(standing, values, values_of, trees, lambda point: standing.signal(point) != "speech")
    figures = []
    for tree in trees:
        if tree.supply in supplies:
            figures += _supply_figures(values, tree, seen)
    for run in runs.values():
        of_run = _run_figures(values, values_of, run, seen, pulled_down)
        if run.run.id in not_recorded:
            figures += of_run
        elif yielding & set(run.supply_of.values()):
            figures += [figure for figure in of_run if figure.code == "run_voltage"]
    return [
        replace(figure, code=f"{figure.code}_full_output")
        for figure in _doubtful(figures, runs, seen)
        if f"{figure.code}_full_output" in RULES
        and not any(map(math.isnan, figure.limits))
        and (figure.overloaded[2] or not math.isnan(figure.bands.high))
    ]


def _scenarios(standing: Standing, trees: list[Tree]) -> list[tuple[Speaks, list[Tree]]]:
    """Who speaks, and the supplies of which that is a scenario: one a paging set, for all of them, and one a
    zone in no set, alone, for those that feed it. A site without sets pages everything at once. A run whose
    zone is not recorded speaks in every scenario."""
    sets = standing.paging_sets()
    if not sets:
        return [(lambda _: True, trees)]

    def zone_of(point: StandingPoint) -> int | None:
        zone: int | None = standing.runs[point.run].row["zone_id"]
        return zone

    def of(zones: set[int]) -> Speaks:
        return lambda point: zone_of(point) is None or zone_of(point) in zones

    found = [(of(zones), trees) for zones in sets.values()]
    fed_in = [{zone_of(each.point) for each in tree.fed} for tree in trees]
    in_a_set = set().union(*sets.values())
    for zone in {each for fed in fed_in for each in fed if each is not None} - in_a_set:
        feeding = [tree for tree, zones in zip(trees, fed_in, strict=True) if zone in zones]
        found.append((of({zone}), feeding))
    return found


def _see(
    values: Values, values_of: ValuesOf, trees: list[Tree], speaking: Speaks, toned: Speaks, seen: Seen
) -> None:
    """One scenario, some supplies, three bands."""
    for tree in trees:
        unknown = math.isnan(tree.source.worst_v)
        volts = values.factors["nominal_supply_v"] if unknown else tree.source.worst_v
        runs = [each.point.run for each in tree.fed]
        bands = [nodes_of(tree.fed, band, speaking, values_of, toned) for band in range(3)]
        try:
            served = serve(bands, runs, volts, tree.source.ohm)
        except Undecided:
            seen.undecided.add(tree.supply)
            served = [nothing_said(len(runs))] * 3
        for band, one in enumerate(served):
            seen.unsolved += not one.solved
            _keep(seen.supply_a, (tree.supply, band), one.source_a, largest=True)
            if one.source_bound or one.stuck:
                seen.supply_bound.add((tree.supply, band))
            if not unknown:
                seen.overloaded |= {(run, band) for run in one.overloaded}
                seen.stuck |= {(tree.supply, band)} if one.stuck else set()
            _see_points(tree.fed, one, band, unknown, seen)


def _see_points(fed: list[Fed], one: Served, band: int, unknown: bool, seen: Seen) -> None:
    totals: dict[int, float] = {}
    for k, each in enumerate(fed):
        run = each.point.run
        _keep(seen.branch_a, (each.point.id, band), one.branch_a[k], largest=True)
        _keep(seen.volts, (each.point.id, band), NAN if unknown else one.volts[k], largest=False)
        if one.volts_bound[k] and not unknown:
            seen.volts_bound.add((run, band))
        if one.branch_bound[k]:
            seen.branch_bound.add((run, band))
            if each.at_block:
                seen.run_bound.add((run, band))
        if each.at_block:
            totals[run] = totals.get(run, 0.0) + one.branch_a[k]
    for run, total in totals.items():
        _keep(seen.run_a, (run, band), total, largest=True)


def _keep(into: dict[tuple[int, int], float], key: tuple[int, int], value: float, *, largest: bool) -> None:
    into[key] = worst([into.get(key, NAN), value], largest=largest)


def _flags(of: Pairs, key: int) -> tuple[bool, ...]:
    return tuple((key, band) in of for band in range(3))


def _bands(of: dict[tuple[int, int], float], key: int) -> Bands:
    return Bands(*(of.get((key, band), NAN) for band in range(3)))


def _supply_figures(values: Values, tree: Tree, seen: Seen) -> list[Figure]:
    source, subject = tree.source, ("supply", tree.supply)
    loading = values.factors["loading_fraction"]
    stuck = _flags(seen.stuck, tree.supply)
    current = _bands(seen.supply_a, tree.supply)
    if tree.shared:
        # of what it shares it may carry all, so only what else it feeds is sure
        carried = current if current.likely > 0 else Bands(NAN, NAN, NAN)
        current = Bands(carried.low, carried.likely, NAN)
    figures = [
        Figure(
            subject,
            "supply_current",
            Bands(*(NAN if none else amps for amps, none in zip(current, stuck, strict=True))),
            source.rated_a * loading,
            overloaded=stuck,
            bound=_flags(seen.supply_bound - seen.stuck, tree.supply),
        )
    ]
    laid: dict[int, list[int | None]] = {}
    for point in tree.reached:
        laid.setdefault(point.run, []).append(point.row["cable_type_id"])
    marking = {True: "class_2", False: "unmarked", None: None}[source.class_2]
    return figures + wiring_class(values.record, subject, marking, laid)


def _over_voltage(tree: Tree, values_of: ValuesOf) -> list[Figure]:
    """The most that the supply delivers, at the speaker that takes least."""
    said = {point.id: values_of(point.row) for point in tree.reached}
    most = {id_: values.maximum_v for id_, values in said.items() if values.loaded}
    weakest = tied(most, largest=False)
    if not weakest:
        return []
    top = Bands(tree.source.top_v, tree.source.top_v, tree.source.top_v)
    where = frozenset(weakest)
    return [Figure(("supply", tree.supply), "supply_over_voltage", top, most[weakest[0]], where)]


def _run_figures(
    values: Values, values_of: ValuesOf, run: DcRun, seen: Seen, pulled_down: set[int]
) -> list[Figure]:
    dead = {point.id for point in run.cut_off} if run.has_supply else set()
    points = {point.id: values_of(point.row) for point in run.run.points if point.id not in dead}
    subject = ("run", run.run.id)
    figures = []
    loading = values.factors["loading_fraction"]
    if any(each.loaded for each in points.values()):
        figures.append(_run_voltage(subject, run, points, seen, pulled_down))
        figures += _conductor_current(subject, values_of, run, seen)
    current = _bands(seen.run_a, run.run.id)
    if run.met:
        current = current._replace(high=NAN)
    if run.run.row["fuse_fitted"] and (run.met or not math.isnan(current.likely)):
        rating = run.run.row["fuse_rating_a"]
        limit = NAN if rating is None else rating * loading
        bound = _flags(seen.run_bound, run.run.id)
        figures.append(Figure(subject, "run_current", current, limit, bound=bound))
    return figures


def _run_voltage(
    subject: Subject, run: DcRun, points: dict[int, PointValues], seen: Seen, pulled_down: set[int]
) -> Figure:
    """In each estimate the voltage at the device that has the least to spare over its own minimum in it."""
    loaded = {id_: values.minimum_v for id_, values in points.items() if values.loaded}
    spots = []
    overloaded = _flags(seen.overloaded, run.run.id)
    bound = _flags(seen.volts_bound - seen.overloaded, run.run.id)
    for band in range(3):
        volts = {id_: seen.volts.get((id_, band), NAN) for id_ in loaded}
        scored = [(volts[id_] - minimum, Spot(volts[id_], minimum, id_)) for id_, minimum in loaded.items()]
        spots.append(() if overloaded[band] else worst_spots(scored, largest=False))
    bands = [of[0].value if of else NAN for of in spots]
    unknown = any(
        math.isnan(minimum)
        or (math.isnan(seen.volts.get((id_, 1), NAN)) and (run.run.id, 1) not in seen.overloaded)
        for id_, minimum in loaded.items()
    )
    if unknown or any(run.supply_of.get(id_) in pulled_down for id_ in loaded):
        bands[2] = NAN
    return Figure(
        subject,
        "run_voltage",
        Bands(*bands),
        # where no device decides: the highest minimum there is, or nothing where nothing feeds it
        worst(loaded.values(), largest=True) if any(overloaded) or any(bound) else NAN,
        spots=tuple(spots),
        overloaded=overloaded,
        bound=bound,
    )


def _conductor_current(subject: Subject, values_of: ValuesOf, run: DcRun, seen: Seen) -> list[Figure]:
    """In each estimate the current of a conductor of the segment that carries the largest share of its own
    rating. Where a segment that carries current has no rating, the harshest estimate is open; where none has
    one, the segment with the most current is shown."""
    segments = [(point.id, fed.segment) for point in run.run.points if (fed := run.fed.get(point.id))]
    carrying = [(id_, segment.id, values_of(segment.row)) for id_, segment in segments if segment is not None]
    rated = any(not math.isnan(values.rating_a) for _, _, values in carrying)
    spots = []
    unrated = False
    for band in range(3):
        scored = []
        for id_, segment_id, values in carrying:
            per_conductor = seen.branch_a.get((id_, band), NAN) / values.pairs
            spot = Spot(per_conductor, values.rating_a, segment_id)
            scored.append((per_conductor / (values.rating_a if rated else 1.0), spot))
            unrated |= band == 2 and math.isnan(values.rating_a) and per_conductor > 0
        spots.append(worst_spots(scored, largest=True))
    if not spots[1]:
        # what is there lies in sections of several feeds
        return [Figure(subject, "conductor_current", Bands(NAN, NAN, NAN), NAN)] if run.met else []
    low, likely, high = (of[0].value for of in spots)
    bands = Bands(low, likely, NAN if unrated or run.met else high)
    bound = _flags(seen.branch_bound, run.run.id)
    limit = spots[1][0].limit
    return [Figure(subject, "conductor_current", bands, limit, spots=tuple(spots), bound=bound)]
