"""Self-amplified runs on DC: voltage, supply, run and conductor current.

All runs of a supply are branches of one tree, since its internal resistance couples them. A run whose
negative is cut has several sections, each a tree rooted at its own feed. Limits are judged at speech, or at
full output in zones that carry tones. Every paging set of the site is a scenario (its zones page, the others
are idle), and so is every zone in no set, alone. All scenarios are solved in one batch with all three bands,
and the worst one counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import HIGH, LIKELY, FloatArray, IntArray
from .dc_bands import solve_bands
from .dc_network import DcNetwork, Scenarios, Sources, carries_tones, dc_network, scenarios, sources
from .feeds import dead, feed_figures, over_voltage
from .figures import (
    FigureBlock,
    any_in_each,
    any_of,
    extremes,
    lookup,
    lookup_each,
    share,
    sums,
)
from .plant import BoolArray, Members, OutputClass, Plant, expand
from .point_loads import PointLoads
from .wiring import Wiring, worst_by_estimate
from .wiring_class import NOT_RECORDED, wiring_class


@dataclass(frozen=True)
class DcSolution:
    """The DC trees of a batch, solved in every scenario of their members.

    instance, node: (x,) scenario, and node of ``network.wiring``, of each entry. speaking: (x,) its zone
    pages. tones: (x,) its zone carries tones. voltage, branch: (3, x) voltage [V], and current in the segment
    that leads to it [A]; NaN where no supply feeds it, and where there is no number. overloaded: (3, x) there
    is no stable voltage. voltage_bound, branch_bound: (3, x) the true one may be harsher. tree_instance,
    tree: (y,) likewise of trees. source_current: (3, y) [A]; source_overloaded: (3, y) there is no stable
    one; source_bound: (3, y).
    """

    network: DcNetwork
    source: Sources
    scenarios: Scenarios
    instance: IntArray
    node: IntArray
    speaking: BoolArray
    tones: BoolArray
    voltage: FloatArray
    branch: FloatArray
    overloaded: BoolArray
    voltage_bound: BoolArray
    branch_bound: BoolArray
    tree_instance: IntArray
    tree: IntArray
    source_current: FloatArray
    source_overloaded: BoolArray
    source_bound: BoolArray


def solve_dc(plant: Plant, members: Members, everything: Wiring, loads: PointLoads) -> DcSolution:
    """Solve every scenario of every member, each in three bands, in one batch."""
    network = dc_network(plant, everything)
    wiring = network.wiring
    source = sources(plant, members, network)

    # every node once a scenario of its member, each in three bands
    scenario = scenarios(plant, members)
    first_node = np.searchsorted(wiring.member, np.arange(len(members) + 1))
    instance, node = expand(first_node[scenario.member], first_node[scenario.member + 1])
    zone_id = plant.runs.zone_id[wiring.run_row][wiring.run[node]]
    named = scenario.pages_in(instance, zone_id)
    speaking = named | (zone_id < 0)  # any page may be heard on a run whose zone is not recorded

    tones = carries_tones(plant, members, wiring)[wiring.run[node]]

    tree_first = np.searchsorted(network.supplies.member, np.arange(len(members) + 1))
    inst_tree_owner, inst_tree = expand(tree_first[scenario.member], tree_first[scenario.member + 1])
    inst_tree_start = np.searchsorted(inst_tree_owner, np.arange(len(scenario.member)))
    fed = network.tree[node] >= 0
    tree_at = np.where(
        fed, inst_tree_start[instance] + network.tree[node] - tree_first[wiring.member[node]], -1
    )
    # a zone that pages alone is a scenario of the supplies that feed it only
    fed &= ~scenario.alone[instance] | lookup(any_of(tree_at[fed], named[fed], len(inst_tree)), tree_at)
    shift = np.arange(len(node)) - node  # a node's parent lies in the same instance
    parent = np.where(network.parent[node] >= 0, network.parent[node] + shift, -1)
    kept = np.flatnonzero(fed)
    amps, watts = loads.drawn(wiring.row[node[kept]], speaking[kept], tones[kept])
    solved = solve_bands(
        parent[kept],
        kept,
        tree_at[kept],
        source.voltage_v[inst_tree],
        source.resistance_ohm[inst_tree],
        network.segment_ohm(loads, node[kept]),
        amps,
        watts,
        plant.factors.nominal_supply_v,
        run=wiring.run[node[kept]],
    )
    voltage, branch = np.full((2, 3, len(node)), np.nan)
    overloaded, voltage_bound, branch_bound = np.zeros((3, 3, len(node)), np.bool_)
    voltage[:, kept], branch[:, kept] = solved.voltage_v, solved.branch_a
    overloaded[:, kept] = solved.overloaded
    voltage_bound[:, kept], branch_bound[:, kept] = solved.voltage_bound, solved.branch_bound
    return DcSolution(
        network=network,
        source=source,
        scenarios=scenario,
        instance=instance,
        node=node,
        speaking=speaking,
        tones=tones,
        voltage=voltage,
        branch=branch,
        overloaded=overloaded,
        voltage_bound=voltage_bound,
        branch_bound=branch_bound,
        tree_instance=inst_tree_owner,
        tree=inst_tree,
        source_current=solved.source_a,
        source_overloaded=solved.source_overloaded,
        source_bound=solved.source_bound,
    )


def evaluate_dc(plant: Plant, members: Members, everything: Wiring, loads: PointLoads) -> list[FigureBlock]:
    """Figures supply_current, wiring_class (by supply), run_voltage, run_current and conductor_current (by
    run): in each band the worst of the member's scenarios. With them those of the feeds."""
    solved = solve_dc(plant, members, everything, loads)
    network, source = solved.network, solved.source
    fed, rows, supplies = network.tree >= 0, network.wiring.row, network.supplies
    trees = len(supplies.member)
    demand = loads.speech_a[LIKELY, rows] + loads.speech_w[LIKELY, rows] / plant.factors.nominal_supply_v
    supported = np.where(loads.supported[rows], demand, 0.0)

    marked = np.array([OutputClass.UNMARKED, OutputClass.CLASS_2, NOT_RECORDED])
    none = any_in_each(solved.tree, solved.source_overloaded, trees)
    delivered = np.where(none, np.nan, extremes(solved.tree, solved.source_current, trees, largest=True))
    # of what several supplies feed together, a supply may carry all or nothing
    delivered[:, network.shared & (delivered[LIKELY] == 0)] = np.nan
    delivered[HIGH, network.shared] = np.nan
    return [
        supplies.figures(
            "supply_current",
            bands=delivered,
            overloaded=none,
            bound=any_in_each(solved.tree, solved.source_bound, trees) & ~none,
            limit=source.rated_current_a * plant.factors.loading_fraction,
            supported=share(
                sums(network.tree[fed], supported[fed], trees), sums(network.tree[fed], demand[fed], trees)
            ),
        ),
        wiring_class(
            plant,
            members,
            supplies,
            marked[lookup(plant.supplies.class_2_marked, source.row)],
            source=network.reach_tree,
            run=network.wiring.run[network.reach_node],
            row=rows[network.reach_node],
        ),
        *_run_figures(plant, solved, loads, demand, supported),
        *feed_figures(plant, network, loads),
        over_voltage(plant, network, source, loads),
    ]


def _run_figures(
    plant: Plant, solved: DcSolution, loads: PointLoads, demand: FloatArray, supported: FloatArray
) -> list[FigureBlock]:
    network, node = solved.network, solved.node
    wiring, rows, run = network.wiring, network.wiring.row, network.wiring.run
    run_row, runs = wiring.run_row, len(wiring.run_row)
    voltage = extremes(node, solved.voltage, len(rows), largest=False)
    branch = extremes(node, solved.branch, len(rows), largest=True)
    at_block = network.from_block[node]
    keys, position = np.unique(
        solved.instance[at_block] * max(runs, 1) + run[node[at_block]], return_inverse=True
    )
    per_instance = sums(position, solved.branch[:, at_block], len(keys))
    run_current = extremes(keys % max(runs, 1), per_instance, runs, largest=True)

    minimum = loads.minimum_voltage_v[rows]
    device = loads.loaded[rows] & ~dead(plant, network)
    has_load = any_of(run, device, runs)
    share_supported = share(sums(run, supported, runs), sums(run, demand, runs))
    point_id = plant.point_id[plant.points.point_index[rows]]

    # Each estimate is judged at the device with the least margin over its own minimum in that estimate
    margin = np.where(device, voltage - minimum, np.nan)
    judged = worst_by_estimate(run, margin, runs, largest=False)
    lowest, least_voltage = lookup_each(voltage, judged), lookup(minimum, judged)
    collapsed = any_in_each(node, solved.overloaded, len(rows))
    no_voltage = np.isnan(voltage[LIKELY]) & ~collapsed[LIKELY]
    unknown = any_of(run, device & (np.isnan(minimum) | no_voltage), runs)
    # a supply that also carries something of a shared section may be pulled down by it
    source = solved.source
    pulled_down = lookup((network.shared & (source.resistance_ohm > 0)) | source.sags_unknown, network.tree)
    lowest[HIGH, unknown | any_of(run, device & pulled_down, runs)] = np.nan
    # where no voltage is known no device has the least
    overloaded = any_in_each(run, collapsed, runs)
    bound = any_in_each(run[node], solved.voltage_bound, runs) & ~overloaded
    nowhere = overloaded | (bound & (judged < 0))
    highest_minimum = extremes(run, np.where(device, minimum, np.nan)[None], runs, largest=True)
    lowest[overloaded] = np.nan
    least_voltage = np.where(nowhere, highest_minimum, least_voltage)
    amps_bound = any_in_each(run[node], solved.branch_bound, runs)

    segment = np.append(rows, 0)[network.segment]
    rating = np.where(network.segment >= 0, loads.conductor_rating_a[segment], np.nan)
    per_conductor = np.where(network.segment >= 0, branch / loads.conductors[segment], np.nan)
    # where no segment of a run has a rating they are compared by their current
    against = np.where(any_of(run, ~np.isnan(rating), runs)[run], rating, 1.0)
    worst = worst_by_estimate(run, per_conductor / against, runs, largest=True)
    hardest = lookup_each(per_conductor, worst)
    hardest[HIGH, any_of(run, np.isnan(rating) & (per_conductor[HIGH] > 0), runs)] = np.nan
    hardest[HIGH, network.paralleled] = run_current[HIGH, network.paralleled] = np.nan
    return [
        wiring.runs.figures(
            "run_voltage",
            bands=lowest,
            limit=least_voltage,
            detail=np.where(nowhere, -1, lookup(point_id, judged)),
            overloaded=overloaded,
            bound=bound,
            supported=share_supported,
            keep=has_load,
        ),
        wiring.runs.figures(
            "run_current",
            bands=run_current,
            bound=any_in_each(run[node[at_block]], solved.branch_bound[:, at_block], runs),
            limit=plant.runs.fuse_rating_a[run_row] * plant.factors.loading_fraction,
            supported=share_supported,
            keep=(plant.runs.fuse_fitted[run_row] == 1)
            & (network.paralleled | ~np.isnan(run_current[LIKELY])),
        ),
        wiring.runs.figures(
            "conductor_current",
            bands=hardest,
            bound=amps_bound,
            limit=lookup(rating, worst),
            detail=lookup(point_id, lookup(network.segment, worst)),
            supported=share_supported,
            keep=has_load & (network.paralleled | (worst[LIKELY] >= 0)),
        ),
    ]
