"""Self-amplified runs on DC (domain reference, section 3.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from .bands import HIGH, LIKELY, THREE, Band, factor
from .circuits import Branch, Solved, Tree, solve
from .figures import NAN, RUN, SUPPLY, Figure, Key, or_nan
from .record import Record
from .wiring import SELF_AMPLIFIED, Point, Run


@dataclass(frozen=True)
class Source:
    """open_v: without load or tolerance. worst_v: at the bottom of its tolerance, or of its battery."""

    open_v: float
    worst_v: float
    ohm: float
    rated_a: float
    full_v: float
    marked: bool | None


def source_at(record: Record, supply_id: int, step: int) -> Source:
    model = record.model(record.at("supply_facts", supply_id, step))
    no_load, loaded = or_nan(model.get("no_load_voltage_v")), or_nan(model.get("rated_load_voltage_v"))
    rated = or_nan(model.get("rated_current_a"))
    open_v = loaded if math.isnan(no_load) else no_load
    ohm = (no_load - loaded) / rated
    battery = model.get("lowest_voltage_v")
    worst_v = open_v * (1 - model.get("voltage_tolerance", NAN)) if battery is None else battery
    return Source(
        open_v=open_v,
        worst_v=worst_v,
        ohm=0.0 if battery is not None or math.isnan(ohm) else max(ohm, 0.0),
        rated_a=rated,
        full_v=no_load if math.isnan(loaded) else loaded,
        marked=model.get("class_2_marked"),
    )


@dataclass(frozen=True)
class Fed:
    """A point as its supply sees it. above: None where the feed lands. piece: the point whose piece of cable
    leads there; None where the feed lands on the point itself."""

    run: Run
    point: Point
    above: Point | None
    piece: Point | None
    from_block: bool


@dataclass
class Feeding:
    """trees: by supply, what it feeds, each point after the one above it. paralleled: ids of runs of which
    some section has more than one feed. block_fed: ids of points in sections fed at the block."""

    trees: dict[int, list[Fed]] = field(default_factory=dict)
    paralleled: set[int] = field(default_factory=set)
    block_fed: set[int] = field(default_factory=set)


def feeding(runs: list[Run]) -> Feeding:
    """A section ends where the minus is cut. One that is fed at the block is fed from above; one with a feed
    in its midst, from there on in all directions."""
    found = Feeding()
    for run in runs:
        if run.kind != SELF_AMPLIFIED:
            continue
        for top in run.points:
            if top.parent is None or top.facts["minus_cut"]:
                _feed_section(found, run, top)
    return found


def _feed_section(found: Feeding, run: Run, top: Point) -> None:
    section = _section(top)
    block_supply = run.facts.get("supply_id")
    at_block = top.parent is None and not top.facts["minus_cut"] and block_supply is not None
    midst = sorted((p for p in section if p.facts["feed_supply_id"] is not None), key=lambda p: p.rank)
    if at_block + len(midst) > 1:
        found.paralleled.add(run.id)
    if at_block:
        assert block_supply is not None
        found.block_fed |= {p.id for p in section}
        _spread(found.trees.setdefault(block_supply, []), run, top, None, top, section, from_block=True)
    elif midst:
        feed = midst[0]
        tree = found.trees.setdefault(feed.facts["feed_supply_id"], [])
        _spread(tree, run, feed, None, None, section, from_block=False)


def _section(top: Point) -> list[Point]:
    section, waiting = [], [top]
    while waiting:
        point = waiting.pop()
        section.append(point)
        waiting += [child for child in point.children if not child.facts["minus_cut"]]
    return section


def _spread(
    tree: list[Fed],
    run: Run,
    point: Point,
    above: Point | None,
    piece: Point | None,
    section: list[Point],
    *,
    from_block: bool,
) -> None:
    """Walk from the feed to every neighbour in the section that one does not come from."""
    inside = {p.id for p in section}
    waiting = [(point, above, piece)]
    while waiting:
        here, behind, through = waiting.pop()
        tree.append(Fed(run, here, behind, through, from_block and behind is None))
        for child in here.children:
            if child.id in inside and child is not behind:
                waiting.append((child, here, child))
        up = here.parent
        if up is not None and up.id in inside and up is not behind and not here.facts["minus_cut"]:
            waiting.append((up, here, here))


def scenarios(record: Record, step: int) -> list[set[int] | None]:
    """Which zones page together: the zones of each paging set, and those in no set at all with each of them.
    None: all zones at once, where no sets are listed."""
    sets = []
    for paging_set in record.standing("paging_set", step):
        members = record.rows["paging_set_zone"].values()
        zones = {row["zone_id"] for row in members if row["paging_set_id"] == paging_set["id"]}
        if zones:
            sets.append(zones)
    if not sets:
        return [None]
    listed = set().union(*sets)
    unlisted = {zone_id for zone_id in record.rows["zone"] if zone_id not in listed}
    return [zones | unlisted for zones in sets]


def pages(run: Run, zones: set[int] | None) -> bool:
    zone = run.facts.get("zone_id")
    return zones is None or zone is None or zone in zones


def solve_supply(
    record: Record, tree: list[Fed], source: Source, band: int, zones: set[int] | None, volts: float
) -> Solved[int]:
    """One supply with all it feeds, at a voltage, in one band; the runs of some zones page."""
    network: Tree[int] = Tree()
    for fed in tree:
        load = fed.point.load
        paging = pages(fed.run, zones)
        network.add(
            fed.point.id,
            fed.above.id if fed.above is not None else None,
            Branch(
                ohm=fed.piece.load.loop_ohm[band] if fed.piece is not None else 0.0,
                amps=(load.speech_a if paging else load.idle_a)[band],
                watts=(load.speech_w if paging else load.idle_w)[band],
            ),
        )
    return solve(network, volts, source.ohm)


def dc_figures(record: Record, step: int, runs: list[Run]) -> dict[Key, Figure]:
    """supply_current and class_2_power by supply; run_voltage, run_current, conductor_current by run."""
    fed = feeding(runs)
    nominal_v = factor(record, "nominal_supply_v")
    loading = factor(record, "loading_fraction")
    figures: dict[Key, Figure] = {}
    volts: dict[int, list[float]] = {}  # by point, worst of all scenarios in each band
    amps: dict[int, list[float]] = {}  # by point, in the piece to it as its supply sees it
    drawn: dict[int, list[float]] = {}  # by run, at the block
    for supply_id, tree in fed.trees.items():
        source = source_at(record, supply_id, step)
        known = not math.isnan(source.worst_v)
        current = [-math.inf] * 3
        for band in THREE:
            for zones in scenarios(record, step):
                solved = solve_supply(
                    record, tree, source, band, zones, source.worst_v if known else nominal_v
                )
                current[band] = max(current[band], solved.source_a)
                of_run: dict[int, float] = {}
                for each in tree:
                    point = each.point.id
                    here = solved.volts[point] if known else NAN
                    _worsen(volts, point, band, here, min)
                    _worsen(amps, point, band, solved.through[point], max)
                    if each.from_block:
                        of_run[each.run.id] = of_run.get(each.run.id, 0.0) + solved.through[point]
                for run_id, total in of_run.items():
                    _worsen(drawn, run_id, band, total, max)
        figures["supply_current", SUPPLY, supply_id] = Figure(_band(current), source.rated_a * loading)
        _class_2(figures, supply_id, source)
    pieces = {each.point.id: each.piece for tree in fed.trees.values() for each in tree}
    for run in runs:
        if run.kind == SELF_AMPLIFIED:
            _of_run(record, figures, run, volts, amps, pieces, paralleled=run.id in fed.paralleled)
            if run.facts.get("fuse_fitted") and run.id in drawn:
                limit = or_nan(run.facts["fuse_rating_a"]) * loading
                figures["run_current", RUN, run.id] = Figure(_band(drawn[run.id]), limit)
    return figures


def _worsen(of: dict[int, list[float]], key: int, band: int, value: float, worse: object) -> None:
    held = of.setdefault(key, [NAN, NAN, NAN])
    if math.isnan(held[band]):
        held[band] = value
    elif not math.isnan(value):
        held[band] = worse(held[band], value)  # type: ignore[operator]


def _band(values: list[float]) -> Band:
    low, likely, high = values
    return low, likely, high


def _class_2(figures: dict[Key, Figure], supply_id: int, source: Source) -> None:
    """Not judged where the source is marked, or what it can deliver is not known. Not known whether it is
    marked: only the harshest estimate takes it for one that is not."""
    capacity = source.full_v * source.rated_a
    if source.marked is True or math.isnan(capacity):
        return
    kind = capacity if source.marked is False else min(capacity, 100.0)
    figures["class_2_power", SUPPLY, supply_id] = Figure((kind, kind, capacity), 100.0)


def _of_run(
    record: Record,
    figures: dict[Key, Figure],
    run: Run,
    volts: dict[int, list[float]],
    amps: dict[int, list[float]],
    pieces: dict[int, Point | None],
    *,
    paralleled: bool,
) -> None:
    devices = [p for p in run.points if p.load.hangs]
    if not devices:
        return
    blank = [NAN, NAN, NAN]
    margins = {
        p.id: [volts.get(p.id, blank)[band] - or_nan(p.load.minimum_v) for band in THREE] for p in devices
    }
    judged = None
    for p in devices:
        if not math.isnan(margins[p.id][LIKELY]) and (
            judged is None or margins[p.id][LIKELY] < margins[judged.id][LIKELY]
        ):
            judged = p
    minimum = or_nan(judged.load.minimum_v) if judged is not None else NAN
    least = [_extreme([margins[p.id][band] for p in devices], min) for band in THREE]
    figure = [minimum + least[band] for band in THREE]
    if paralleled or any(math.isnan(margins[p.id][LIKELY]) for p in devices):
        figure[HIGH] = NAN
    figures["run_voltage", RUN, run.id] = Figure(_band(figure), minimum)

    # each conductor of the pairs of each piece, against what its cable is rated for
    shares: list[tuple[list[float], float]] = []
    for point in run.points:
        piece = pieces.get(point.id)
        if piece is None or piece.load.conductor_rating_a is None:
            continue
        rating = piece.load.conductor_rating_a
        shares.append(([amps[point.id][band] / piece.load.pairs / rating for band in THREE], rating))
    if shares:
        hardest = max(range(len(shares)), key=lambda k: (shares[k][0][LIKELY], -k))
        limit = shares[hardest][1]
        most = [max(share[band] for share, _ in shares) * limit for band in THREE]
        figures["conductor_current", RUN, run.id] = Figure(_band(most), limit)


def _extreme(values: list[float], worst: object) -> float:
    known = [value for value in values if not math.isnan(value)]
    return worst(known) if known else NAN  # type: ignore[operator,no-any-return]
