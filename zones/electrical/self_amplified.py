"""Self-amplified runs on DC: voltage, supply, run and conductor current.

All runs of a supply are branches of one tree, since its internal resistance couples them. A run whose minus
is cut is several sections, each a tree rooted at its own feed. Limits are judged at speech; every paging set
of the site is a scenario (its zones at speech, the others idle), solved in the same batch with all three
bands, and the worst counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import HIGH, LIKELY, FloatArray, IntArray
from .figures import FigureBlock, Problem, extremes, share, sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, RunKind, expand, select
from .point_loads import PointLoads
from .radial import Solution, solve
from .subjects import SubjectKind
from .wiring import Wiring, first_where_extreme, section_tops

CLASS_2_LIMIT_VA = 100.0
"""Class 2 power: 100 VA at up to 30 V (NEC Chapter 9 Table 11; from memory)."""


@dataclass(frozen=True)
class DcNetwork:
    """The DC trees of a batch of members, before bands and scenarios.

    wiring: of self-amplified runs. tree: (n,) tree of each node, −1 where its section has no feed. parent:
    (n,) DC parent (re-rooted where a section is fed in its midst), −1 at the feed. piece: (n,) the node whose
    piece of cable leads to the DC parent; −1 where the feed lands on the point itself. from_block: (n,) the
    piece leaves the block, fed there. tree_member, tree_supply: (t,) member and supply index. paralleled:
    (k,) by run: two feeds meet.
    """

    wiring: Wiring
    tree: IntArray
    parent: IntArray
    piece: IntArray
    from_block: BoolArray
    tree_member: IntArray
    tree_supply: IntArray
    paralleled: BoolArray


@dataclass(frozen=True)
class Sources:
    """(t,) by tree: voltage at the worst of tolerance or battery [V], NaN unknown; internal resistance [Ω];
    rated current [A]; row in ``plant.supplies``, −1 none."""

    voltage_v: FloatArray
    resistance_ohm: FloatArray
    rated_current_a: FloatArray
    row: IntArray


def dc_network(plant: Plant, everything: Wiring) -> DcNetwork:
    """Which node hangs on which supply, as of each member's step."""
    kind = plant.run_kind[plant.runs.run_index[everything.run_row]]
    wiring = everything.only_runs(kind == RunKind.SELF_AMPLIFIED)
    nodes = len(wiring.row)
    parent = wiring.parent.copy()
    cut = plant.points.minus_cut[wiring.row]
    top = section_tops(wiring.parent, cut)

    block_supply = plant.runs.supply_index[wiring.run_row][wiring.run]
    at_block = (wiring.parent < 0) & ~cut & (block_supply >= 0)
    feed_supply = plant.points.feed_supply_index[wiring.row]
    fed = np.flatnonzero(feed_supply >= 0)

    # one feed a section; where several meet, the run is paralleled: say so, and compute from the first
    feeds = at_block[top].astype(np.int64) * (np.arange(nodes) == top)
    np.add.at(feeds, top[fed], 1)
    paralleled = np.zeros(len(wiring.run_row), np.bool_)
    paralleled[wiring.run[feeds > 1]] = True

    supply = np.full(nodes, -1)
    midst = fed[~at_block[top[fed]]]
    _, first = np.unique(top[midst], return_index=True)
    midst = midst[first]
    supply[top[midst]] = feed_supply[midst]
    supply = np.where(at_block, block_supply, supply)[top]

    parent[cut] = -1
    piece = np.arange(nodes)
    # re-root a section that is fed in its midst: turn the path from the feed to the section's top around
    at, before, before_piece = midst.copy(), np.full(len(midst), -1), np.full(len(midst), -1)
    while len(at):
        above, is_top = wiring.parent[at], top[at] == at
        parent[at], piece_here = before, piece[at].copy()
        piece[at] = before_piece
        at, before, before_piece = above[~is_top], at[~is_top], piece_here[~is_top]

    width = max(len(plant.supply_id), 1)
    key = np.where(supply >= 0, wiring.member * width + supply, -1)
    keys = np.unique(key[key >= 0])
    tree = np.where(key >= 0, np.searchsorted(keys, key), -1)
    return DcNetwork(wiring, tree, parent, piece, at_block, keys // width, keys % width, paralleled)


def sources(plant: Plant, members: Members, network: DcNetwork) -> Sources:
    """The source of each tree as of its member's step: at the bottom of its tolerance, or of its battery.

    No-load and rated-load voltage and rated current give the internal resistance; one voltage alone is stiff.
    A battery's lowest voltage is its voltage under load, and taken as stiff.
    """
    owner, row = select(plant, "supplies", members)
    width = max(len(plant.supply_id), 1)
    key = owner * width + plant.supplies.supply_index[row]
    order = np.argsort(key)
    wanted = network.tree_member * width + network.tree_supply
    at = np.clip(np.searchsorted(key[order], wanted), 0, max(len(key) - 1, 0))
    source_row = np.full(len(wanted), -1)
    if len(key):
        source_row = np.where(key[order][at] == wanted, row[order][at], -1)

    def column(values: FloatArray) -> FloatArray:
        taken: FloatArray = np.append(values, np.nan)[source_row]
        return taken

    table = plant.supplies
    no_load, loaded, rated = (
        column(table.no_load_voltage_v),
        column(table.rated_load_voltage_v),
        column(table.rated_current_a),
    )
    open_voltage = np.where(np.isnan(no_load), loaded, no_load)
    resistance = np.where(
        np.isnan(no_load) | np.isnan(loaded) | np.isnan(rated), 0.0, (no_load - loaded) / rated
    )
    voltage = open_voltage * (1.0 - column(table.voltage_tolerance))
    lowest = column(table.lowest_voltage_v)
    battery = ~np.isnan(lowest)
    return Sources(
        voltage_v=np.where(battery, lowest, voltage),
        resistance_ohm=np.where(battery, 0.0, np.maximum(resistance, 0.0)),
        rated_current_a=rated,
        row=source_row,
    )


@dataclass(frozen=True)
class Scenarios:
    """Which zones page together. member, paging_set: (i,) by instance; a set of −1: everything pages at once.
    ``pages`` and ``listed`` are keys (owner, zone) of what the sets say."""

    member: IntArray
    paging_set: IntArray
    zones: IntArray
    pages: IntArray
    listed: IntArray

    def speaking(self, instance: IntArray, zone_id: IntArray) -> BoolArray:
        """True where a zone pages in an instance: it is in the instance's set, or in no set of the site at
        all."""
        zone = np.searchsorted(self.zones, zone_id)
        width = len(self.zones)
        in_set: BoolArray = np.isin(instance * width + zone, self.pages)
        unlisted = ~np.isin(self.member[instance] * width + zone, self.listed)
        return in_set | unlisted | (self.paging_set[instance] < 0)


def scenarios(plant: Plant, members: Members) -> Scenarios:
    """One scenario a paging set that holds on the day; a site that lists none pages everything at once.

    A zone in no set is taken to page with every set: the harsher reading of an incomplete list.
    """
    owner, row = select(plant, "paging", members, site_wide=True)
    zones = np.unique(np.concatenate([plant.runs.zone_id, plant.paging.zone_id, [-1]]))
    zone = np.searchsorted(zones, plant.paging.zone_id[row])
    sets, set_of = np.unique(plant.paging.set_id[row], return_inverse=True)
    width = max(len(sets), 1)
    keys = np.unique(owner * width + set_of)
    without = np.setdiff1d(np.arange(len(members)), owner)
    member = np.concatenate([keys // width, without])
    paging_set = np.concatenate([keys % width, np.full(len(without), -1)])
    order = np.lexsort((paging_set, member))
    number = np.empty(len(order), np.int64)
    number[order] = np.arange(len(order))
    instance = number[np.searchsorted(keys, owner * width + set_of)]
    return Scenarios(
        member=member[order],
        paging_set=paging_set[order],
        zones=zones,
        pages=instance * len(zones) + zone,
        listed=owner * len(zones) + zone,
    )


def evaluate_dc(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> tuple[list[FigureBlock], list[Problem]]:
    """Figures of supplies and self-amplified runs: supply_current, class_2_power, run_voltage, run_current,
    conductor_current.

    An infeasible network has no voltage: 0 V stands for it, and the current its loads demand at the source
    voltage.
    """
    network = dc_network(plant, everything)
    wiring, rows = network.wiring, network.wiring.row
    source = sources(plant, members, network)
    runs, trees = len(wiring.run_row), len(network.tree_member)

    # every node once a scenario of its member, each in three bands
    scenario = scenarios(plant, members)
    first_node = np.searchsorted(wiring.member, np.arange(len(members) + 1))
    instance, node = expand(first_node[scenario.member], first_node[scenario.member + 1])
    speaking = scenario.speaking(instance, plant.runs.zone_id[wiring.run_row][wiring.run[node]])
    row = rows[node]
    amps = np.where(speaking, loads.speech_a[:, row], loads.idle_a[:, row])
    watts = np.where(speaking, loads.speech_w[:, row], loads.idle_w[:, row])
    piece = network.piece[node]
    ohms = np.where(piece >= 0, loads.loop_resistance_ohm[:, np.append(rows, 0)[piece]], 0.0)

    tree_first = np.searchsorted(network.tree_member, np.arange(len(members) + 1))
    inst_tree_owner, inst_tree = expand(tree_first[scenario.member], tree_first[scenario.member + 1])
    inst_tree_start = np.searchsorted(inst_tree_owner, np.arange(len(scenario.member)))
    fed = network.tree[node] >= 0
    tree_at = np.where(
        fed, inst_tree_start[instance] + network.tree[node] - tree_first[wiring.member[node]], -1
    )
    shift = np.arange(len(node)) - node  # a node's parent lies in the same instance
    parent = np.where(network.parent[node] >= 0, network.parent[node] + shift, -1)
    kept = np.flatnonzero(fed)
    solution = solve_bands(
        parent[kept],
        kept,
        tree_at[kept],
        source.voltage_v[inst_tree],
        source.resistance_ohm[inst_tree],
        ohms[:, kept],
        amps[:, kept],
        watts[:, kept],
        plant.factors.nominal_supply_v,
    )
    voltage = np.full((3, len(node)), np.nan)
    branch = np.full((3, len(node)), np.nan)
    voltage[:, kept], branch[:, kept] = solution.voltage_v, solution.branch_current_a
    # the worst of a member's scenarios, whichever it is for each figure and band
    supply_current = extremes(inst_tree, solution.source_current_a, trees, largest=True)
    worst_voltage = extremes(node, voltage, len(rows), largest=False)
    worst_voltage = np.where(np.isfinite(worst_voltage), worst_voltage, np.nan)
    worst_branch = extremes(node, branch, len(rows), largest=True)
    worst_branch = np.where(np.isfinite(worst_branch), worst_branch, np.nan)
    at_block = network.from_block[node]
    inst_run = instance[at_block] * max(runs, 1) + wiring.run[node[at_block]]
    keys, position = np.unique(inst_run, return_inverse=True)
    per_instance = sums(position, branch[:, at_block], len(keys))
    run_current = extremes(keys % max(runs, 1), per_instance, runs, largest=True)

    demand_likely = (
        loads.speech_a[LIKELY, rows] + loads.speech_w[LIKELY, rows] / plant.factors.nominal_supply_v
    )
    supported = np.where(loads.supported[rows], demand_likely, 0.0)
    blocks = _supply_figures(plant, network, source, supply_current, demand_likely, supported)
    blocks += _run_figures(
        plant, network, loads, worst_voltage, worst_branch, run_current, demand_likely, supported
    )
    reason = "two supplies feed the same section: their currents cannot be told apart"
    problems = [
        Problem(
            int(wiring.run_member[k]), SubjectKind.RUN, int(plant.runs.run_index[wiring.run_row[k]]), reason
        )
        for k in np.flatnonzero(network.paralleled)
    ]
    return blocks, problems


def _supply_figures(
    plant: Plant,
    network: DcNetwork,
    source: Sources,
    current: FloatArray,
    demand: FloatArray,
    supported: FloatArray,
) -> list[FigureBlock]:
    fed = network.tree >= 0
    table, trees = plant.supplies, len(network.tree_member)
    group = np.zeros(trees, np.int64)
    group[network.tree[fed]] = plant.points.group[network.wiring.row[fed]]
    common = {"member": network.tree_member, "subject": network.tree_supply, "group": group}
    blocks = [
        FigureBlock.of(
            "supply_current",
            SubjectKind.SUPPLY,
            **common,
            bands=current,
            limit=source.rated_current_a * plant.factors.loading_fraction,
            supported=share(
                sums(network.tree[fed], supported[fed], trees), sums(network.tree[fed], demand[fed], trees)
            ),
        )
    ]
    marked = np.append(table.class_2_marked, -1)[source.row]
    full = np.append(table.rated_load_voltage_v, np.nan)[source.row]
    full = np.where(np.isnan(full), np.append(table.no_load_voltage_v, np.nan)[source.row], full)
    capacity = full * source.rated_current_a
    judged = (marked != 1) & ~np.isnan(capacity)
    if judged.any():
        # not marked: what it can deliver counts; not known whether it is marked: only the harshest reading
        # does
        kind = np.where(marked == 0, capacity, np.minimum(capacity, CLASS_2_LIMIT_VA))[judged]
        blocks.append(
            FigureBlock.of(
                "class_2_power",
                SubjectKind.SUPPLY,
                **{k: v[judged] for k, v in common.items()},
                bands=np.stack([kind, kind, capacity[judged]]),
                limit=CLASS_2_LIMIT_VA,
            )
        )
    return blocks


def _run_figures(
    plant: Plant,
    network: DcNetwork,
    loads: PointLoads,
    voltage: FloatArray,
    branch: FloatArray,
    run_current: FloatArray,
    demand: FloatArray,
    supported: FloatArray,
) -> list[FigureBlock]:
    wiring, rows, runs = network.wiring, network.wiring.row, len(network.wiring.run_row)
    run_row = wiring.run_row
    has_load = np.bincount(wiring.run[loads.loaded[rows]], minlength=runs) > 0
    resting = share(sums(wiring.run, supported, runs), sums(wiring.run, demand, runs))
    point_id = np.append(plant.point_id[plant.points.point_index[rows]], -1)

    def block(
        code: str, keep: BoolArray, bands: FloatArray, limit: FloatArray, node: IntArray | None
    ) -> FigureBlock:
        return FigureBlock.of(
            code,
            SubjectKind.RUN,
            member=wiring.run_member[keep],
            subject=plant.runs.run_index[run_row[keep]],
            group=plant.runs.group[run_row[keep]],
            bands=bands[:, keep],
            limit=limit[keep],
            detail=None if node is None else point_id[node[keep]],
            supported=resting[keep],
        )

    # voltage: the judged device is the one with the least margin in the likely solution; other bands may have
    # another least margin, and it is the margin that is shown against the judged device's minimum
    minimum = loads.minimum_voltage_v[rows]
    device = loads.loaded[rows]
    margin = np.where(device, voltage - minimum, np.nan)
    judged = first_where_extreme(wiring.run, margin[LIKELY], runs, largest=False)
    reference = np.append(minimum, np.nan)[judged]
    figure = np.full((3, runs), np.nan)
    for band in range(3):
        worst = first_where_extreme(wiring.run, margin[band], runs, largest=False)
        figure[band] = reference + np.append(margin[band], np.nan)[worst]
    unknown = np.bincount(wiring.run[device & np.isnan(minimum + voltage[LIKELY])], minlength=runs) > 0
    figure[HIGH, unknown | network.paralleled] = np.nan
    blocks = [block("run_voltage", has_load, figure, reference, judged)]

    fitted = plant.runs.fuse_fitted[run_row] == 1
    blocks.append(
        block(
            "run_current",
            fitted & np.isfinite(run_current[LIKELY]),
            run_current,
            plant.runs.fuse_rating_a[run_row] * plant.factors.loading_fraction,
            None,
        )
    )

    piece = np.append(rows, 0)[network.piece]
    per_conductor = np.where(network.piece >= 0, branch / loads.conductors[piece], np.nan)
    rating = loads.conductor_rating_a[piece]
    worst = first_where_extreme(wiring.run, per_conductor[LIKELY] / rating, runs, largest=True)
    limit = np.append(rating, np.nan)[worst]
    figure = np.full((3, runs), np.nan)
    for band in range(3):
        loading = per_conductor[band] / rating
        hardest = first_where_extreme(wiring.run, loading, runs, largest=True)
        figure[band] = np.append(loading, np.nan)[hardest] * limit
    node = np.append(network.piece, -1)[worst]
    blocks.append(block("conductor_current", has_load & (worst >= 0), figure, limit, node))
    return blocks


def solve_bands(
    parent: IntArray,
    position: IntArray,
    tree: IntArray,
    source_voltage_v: FloatArray,
    source_resistance_ohm: FloatArray,
    piece_ohm: FloatArray,
    amps: FloatArray,
    watts: FloatArray,
    nominal_v: float,
) -> Solution:
    """Solve the same trees in three bands, as one forest three times as large.

    parent: (n,) node positions of the caller; position: (n,) the caller's position of each node here; tree:
    (n,); source arrays: (t,); piece_ohm, amps, watts: (3, n). Where a source voltage is NaN the currents are
    those at the nominal voltage and the voltages NaN. Infeasible: 0 V, and the current demanded at the source
    voltage. Returns a Solution with arrays reshaped to (3, n) and (3, t).
    """
    nodes, trees = len(position), len(source_voltage_v)
    number = np.full(int(position.max(initial=-1)) + 2, -1)
    number[position] = np.arange(nodes)
    local = np.where(parent >= 0, number[parent], -1)
    three = np.arange(3)[:, None]
    forest = Forest.build(
        np.where(local >= 0, local + three * nodes, -1).ravel(), (tree + three * trees).ravel(), 3 * trees
    )
    unknown = np.isnan(source_voltage_v)
    volts = np.where(unknown, nominal_v, source_voltage_v)
    solved = solve(
        forest,
        source_voltage_v=np.tile(volts, 3),
        source_resistance_ohm=np.tile(source_resistance_ohm, 3),
        piece_resistance_ohm=piece_ohm.ravel(),
        current_a=amps.ravel(),
        power_w=watts.ravel(),
        conductance_s=np.zeros(3 * nodes),
    )
    feasible = solved.feasible.reshape(3, trees)
    demanded = amps + watts / volts[tree]
    fallback = sums(tree, demanded, trees)
    node_ok = feasible[:, tree]
    voltage = np.where(node_ok, solved.voltage_v.reshape(3, nodes), 0.0)
    branch = solved.branch_current_a.reshape(3, nodes)
    if not node_ok.all():
        branch = np.where(node_ok, branch, _demand_behind(local, demanded))
    return Solution(
        feasible=feasible,
        reason=solved.reason.reshape(3, trees),
        voltage_v=np.where(unknown[tree], np.nan, voltage),
        load_current_a=np.where(node_ok, solved.load_current_a.reshape(3, nodes), demanded),
        branch_current_a=branch,
        terminal_voltage_v=np.where(feasible, solved.terminal_voltage_v.reshape(3, trees), 0.0),
        source_current_a=np.where(feasible, solved.source_current_a.reshape(3, trees), fallback),
        iterations=solved.iterations.reshape(3, trees),
    )


def _demand_behind(parent: IntArray, demand: FloatArray) -> FloatArray:
    """(3, n) demand of each node and everything behind it, for networks that have no solution."""
    behind = demand.copy()
    depth = np.zeros(len(parent), np.int64)
    at = parent.copy()
    while (at >= 0).any():
        depth += at >= 0
        at = np.where(at >= 0, np.append(parent, -1)[at], -1)
    for level in range(int(depth.max(initial=0)), 0, -1):
        here = np.flatnonzero(depth == level)
        for band in range(len(behind)):
            np.add.at(behind[band], parent[here], behind[band, here])
    return behind
