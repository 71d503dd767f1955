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
from .dc_network import DcNetwork, Scenarios, Sources, dc_network, scenarios, solve_bands, sources
from .figures import FigureBlock, Problem, extremes, share, sums
from .plant import BoolArray, Members, Plant, expand
from .point_loads import PointLoads
from .subjects import SubjectKind
from .wiring import Wiring, first_where_extreme

CLASS_2_LIMIT_VA = 100.0
"""Class 2 power: 100 VA at up to 30 V (NEC Chapter 9 Table 11; from memory)."""


@dataclass(frozen=True)
class DcSolution:
    """The DC trees of a batch, solved in every scenario of their members; what ``evaluate_dc`` reads figures
    off, and what a worked calculation shows.

    instance, node: (x,) which scenario and which node of ``network.wiring`` each entry is of. speaking: (x,)
    its zone pages. voltage, branch: (3, x) [V], [A] in the segment that leads to it; NaN where nothing feeds
    it. tree_instance, tree: (y,) likewise of trees; source_current: (3, y) [A].
    """

    network: DcNetwork
    source: Sources
    scenarios: Scenarios
    instance: IntArray
    node: IntArray
    speaking: BoolArray
    voltage: FloatArray
    branch: FloatArray
    tree_instance: IntArray
    tree: IntArray
    source_current: FloatArray


def solve_dc(plant: Plant, members: Members, everything: Wiring, loads: PointLoads) -> DcSolution:
    """Solve every scenario of every member, each in three bands, in one batch.

    An infeasible network has no voltage: 0 V stands for it, and the current its loads demand at the source
    voltage.
    """
    network = dc_network(plant, everything)
    wiring, rows = network.wiring, network.wiring.row
    source = sources(plant, members, network)

    # every node once a scenario of its member, each in three bands
    scenario = scenarios(plant, members)
    first_node = np.searchsorted(wiring.member, np.arange(len(members) + 1))
    instance, node = expand(first_node[scenario.member], first_node[scenario.member + 1])
    speaking = scenario.speaking(instance, plant.runs.zone_id[wiring.run_row][wiring.run[node]])
    row = rows[node]
    amps = np.where(speaking, loads.speech_a[:, row], loads.idle_a[:, row])
    watts = np.where(speaking, loads.speech_w[:, row], loads.idle_w[:, row])
    segment = network.segment[node]
    ohms = np.where(segment >= 0, loads.loop_resistance_ohm[:, np.append(rows, 0)[segment]], 0.0)

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
    return DcSolution(
        network=network,
        source=source,
        scenarios=scenario,
        instance=instance,
        node=node,
        speaking=speaking,
        voltage=voltage,
        branch=branch,
        tree_instance=inst_tree_owner,
        tree=inst_tree,
        source_current=solution.source_current_a,
    )


def evaluate_dc(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads
) -> tuple[list[FigureBlock], list[Problem]]:
    """Figures of supplies and self-amplified runs: supply_current, class_2_power, run_voltage, run_current,
    conductor_current; each the worst of its member's scenarios, in each band."""
    solved = solve_dc(plant, members, everything, loads)
    network, source, node = solved.network, solved.source, solved.node
    wiring, rows = network.wiring, network.wiring.row
    runs, trees = len(wiring.run_row), len(network.tree_member)
    supply_current = extremes(solved.tree, solved.source_current, trees, largest=True)
    worst_voltage = extremes(node, solved.voltage, len(rows), largest=False)
    worst_voltage = np.where(np.isfinite(worst_voltage), worst_voltage, np.nan)
    worst_branch = extremes(node, solved.branch, len(rows), largest=True)
    worst_branch = np.where(np.isfinite(worst_branch), worst_branch, np.nan)
    at_block = network.from_block[node]
    inst_run = solved.instance[at_block] * max(runs, 1) + wiring.run[node[at_block]]
    keys, position = np.unique(inst_run, return_inverse=True)
    per_instance = sums(position, solved.branch[:, at_block], len(keys))
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

    segment = np.append(rows, 0)[network.segment]
    per_conductor = np.where(network.segment >= 0, branch / loads.conductors[segment], np.nan)
    rating = loads.conductor_rating_a[segment]
    worst = first_where_extreme(wiring.run, per_conductor[LIKELY] / rating, runs, largest=True)
    limit = np.append(rating, np.nan)[worst]
    figure = np.full((3, runs), np.nan)
    for band in range(3):
        loading = per_conductor[band] / rating
        hardest = first_where_extreme(wiring.run, loading, runs, largest=True)
        figure[band] = np.append(loading, np.nan)[hardest] * limit
    node = np.append(network.segment, -1)[worst]
    blocks.append(block("conductor_current", has_load & (worst >= 0), figure, limit, node))
    return blocks
