"""Self-amplified runs on DC: voltage, supply, run and conductor current.

All runs of a supply are branches of one tree, since its internal resistance couples them. A run whose
negative is cut has several sections, each a tree rooted at its own feed. Limits are judged at speech, or at
full output in zones that carry tones. Every paging set of the site is a scenario (its zones page, the others
are idle), and so is every zone in no set, alone. All scenarios are solved in one batch with all three bands,
and the worst one counts.

A zone whose signal is not recorded counts as speech, and everything that bears on such a zone also gets
advice figures at full output: all scenarios again, with those zones at full output."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from .bands import HIGH, LIKELY, FloatArray, IntArray
from .dc_bands import solve_bands
from .dc_network import DcNetwork, Scenarios, Sources, dc_network, scenarios, signals, sources
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
from .forest import Forest
from .plant import BoolArray, Members, OutputClass, Plant, Signal, expand
from .point_loads import PointLoads
from .wiring import Wiring, worst_by_estimate
from .wiring_class import NOT_RECORDED, wiring_class

FULL_OUTPUT = {
    code: f"{code}_full_output"
    for code in ("supply_current", "run_voltage", "run_current", "conductor_current")
}
"""Code of a figure → code of the same figure with zones of unrecorded signal at full output."""
DC_CODES: Final = frozenset(
    {
        *FULL_OUTPUT, *FULL_OUTPUT.values(), "wiring_class", "no_feed", "supplies_paralleled",
        "supply_over_voltage",
    }
)  # fmt: skip


@dataclass(frozen=True)
class DcPages:
    """Who pages, in every scenario of the members of a batch.

    instance, node: (x,) scenario, and node of ``network.wiring``, of each entry. speaking: (x,) its zone
    pages. signal: (k,) by run, see ``signals``. tones: (x,) its zone is paged at full output. tree_instance,
    tree: (y,) scenario, and tree of ``network``, of each tree. tree_at: (x,) position among these, −1 where
    no supply feeds the entry or it is not a scenario of that supply.
    """

    network: DcNetwork
    source: Sources
    scenarios: Scenarios
    instance: IntArray
    node: IntArray
    speaking: BoolArray
    signal: IntArray
    tones: BoolArray
    tree_instance: IntArray
    tree: IntArray
    tree_at: IntArray


@dataclass(frozen=True)
class DcSolution(DcPages):
    """The DC trees of a batch, solved in every scenario of their members.

    voltage, branch: (3, x) voltage [V], and current in the segment that leads to it [A]; NaN where no supply
    feeds it, and where there is no number. overloaded: (3, x) there is no stable voltage. voltage_bound,
    branch_bound: (3, x) the true one may be harsher. source_current: (3, y) [A]; source_overloaded: (3, y)
    there is no stable one; source_bound: (3, y). forest: of the entries that a tree feeds, three times.
    """

    voltage: FloatArray
    branch: FloatArray
    overloaded: BoolArray
    voltage_bound: BoolArray
    branch_bound: BoolArray
    source_current: FloatArray
    source_overloaded: BoolArray
    source_bound: BoolArray
    forest: Forest


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

    tree_first = np.searchsorted(network.supplies.member, np.arange(len(members) + 1))
    inst_tree_owner, inst_tree = expand(tree_first[scenario.member], tree_first[scenario.member + 1])
    inst_tree_start = np.searchsorted(inst_tree_owner, np.arange(len(scenario.member)))
    fed = network.tree[node] >= 0
    tree_at = np.where(
        fed, inst_tree_start[instance] + network.tree[node] - tree_first[wiring.member[node]], -1
    )
    # a zone that pages alone is a scenario of the supplies that feed it only
    fed &= ~scenario.alone[instance] | lookup(any_of(tree_at[fed], named[fed], len(inst_tree)), tree_at)
    signal = signals(plant, members, wiring)
    pages = DcPages(
        network=network,
        source=source,
        scenarios=scenario,
        instance=instance,
        node=node,
        speaking=speaking,
        signal=signal,
        tones=(signal == Signal.TONES)[wiring.run[node]],
        tree_instance=inst_tree_owner,
        tree=inst_tree,
        tree_at=np.where(fed, tree_at, -1),
    )
    return _solve(plant, pages, loads)


def at_full_output(plant: Plant, solved: DcSolution, loads: PointLoads) -> DcSolution:
    """The same scenarios as in ``solved``, with zones whose signal is not recorded at full output."""
    tones = (solved.signal != Signal.SPEECH)[solved.network.wiring.run[solved.node]]
    pages = {name: getattr(solved, name) for name in DcPages.__dataclass_fields__}
    return _solve(plant, DcPages(**pages | {"tones": tones}), loads, solved.forest)


def _solve(plant: Plant, pages: DcPages, loads: PointLoads, forest: Forest | None = None) -> DcSolution:
    """forest: of an earlier solution of the same scenarios."""
    network, wiring, source = pages.network, pages.network.wiring, pages.source
    kept = np.flatnonzero(pages.tree_at >= 0)
    node = pages.node[kept]
    shift = kept - node  # a node's parent lies in the same instance
    amps, watts = loads.drawn(wiring.row[node], pages.speaking[kept], pages.tones[kept])
    solved = solve_bands(
        np.where(network.parent[node] >= 0, network.parent[node] + shift, -1),
        kept,
        pages.tree_at[kept],
        source.voltage_v[pages.tree],
        source.resistance_ohm[pages.tree],
        network.segment_ohm(loads, node),
        amps,
        watts,
        plant.factors.nominal_supply_v,
        run=wiring.run[node],
        forest=forest,
    )

    def of_entries(values: FloatArray | BoolArray, missing: float | bool) -> Any:
        out = np.full((3, len(pages.node)), missing)
        out[:, kept] = values
        return out

    return DcSolution(
        **{name: getattr(pages, name) for name in DcPages.__dataclass_fields__},
        voltage=of_entries(solved.voltage_v, np.nan),
        branch=of_entries(solved.branch_a, np.nan),
        overloaded=of_entries(solved.overloaded, False),
        voltage_bound=of_entries(solved.voltage_bound, False),
        branch_bound=of_entries(solved.branch_bound, False),
        source_current=solved.source_a,
        source_overloaded=solved.source_overloaded,
        source_bound=solved.source_bound,
        forest=solved.forest,
    )


def evaluate_dc(
    plant: Plant, members: Members, everything: Wiring, loads: PointLoads, codes: Collection[str]
) -> list[FigureBlock]:
    """Figures supply_current, wiring_class (by supply), run_voltage, run_current and conductor_current (by
    run): in each band the worst of the member's scenarios. With them those of the feeds; and those at full
    output where any of ``codes`` is one."""
    solved = solve_dc(plant, members, everything, loads)
    network, source = solved.network, solved.source
    marked = np.array([OutputClass.UNMARKED, OutputClass.CLASS_2, NOT_RECORDED])
    blocks = [
        *_currents_and_voltages(plant, solved, loads),
        wiring_class(
            plant,
            members,
            network.supplies,
            marked[lookup(plant.supplies.class_2_marked, source.row)],
            source=network.reach_tree,
            run=network.wiring.run[network.reach_node],
            row=network.wiring.row[network.reach_node],
        ),
        *feed_figures(plant, network, loads),
        over_voltage(plant, network, source, loads),
    ]
    if not set(FULL_OUTPUT.values()).isdisjoint(codes) and (solved.signal < 0).any():
        blocks += _advice(plant, solved, loads)
    return blocks


def _advice(plant: Plant, solved: DcSolution, loads: PointLoads) -> list[FigureBlock]:
    """The figures at full output of everything that bears on a zone without a recorded signal: its runs with
    their supplies, and the voltage of other runs that these pull down. Left out where a rating is missing."""
    network, run = solved.network, solved.network.wiring.run
    own = solved.signal < 0
    of_tree = any_of(network.tree, own[run] & (network.tree >= 0), len(network.supplies.member))
    pulled_down = any_of(run, lookup(of_tree & (solved.source.resistance_ohm > 0), network.tree), len(own))
    concerned = {"supply_current": of_tree, "run_voltage": own | pulled_down} | dict.fromkeys(
        ("run_current", "conductor_current"), own
    )
    blocks = []
    for block in _currents_and_voltages(plant, at_full_output(plant, solved, loads), loads, concerned):
        told = ~np.isnan(block.limit).any(axis=0) & (block.overloaded[HIGH] | ~np.isnan(block.bands[HIGH]))
        blocks.append(replace(block.only(told), code=FULL_OUTPUT[block.code]))
    return blocks


_EVERYTHING: Mapping[str, BoolArray] = {}


def _currents_and_voltages(
    plant: Plant, solved: DcSolution, loads: PointLoads, only: Mapping[str, BoolArray] = _EVERYTHING
) -> list[FigureBlock]:
    """only: by code, (t,) or (k,) of which supplies or runs; every one of a code that is not in it."""
    network, source = solved.network, solved.source
    fed, rows, supplies = network.tree >= 0, network.wiring.row, network.supplies
    trees = len(supplies.member)
    demand = loads.speech_a[LIKELY, rows] + loads.speech_w[LIKELY, rows] / plant.factors.nominal_supply_v
    supported = np.where(loads.supported[rows], demand, 0.0)
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
            keep=only.get("supply_current"),
        ),
        *_run_figures(plant, solved, loads, demand, supported, only),
    ]


def lowest_voltages(solved: DcSolution) -> FloatArray:
    """(3, n) the lowest voltage of each node of ``solved.network`` in all scenarios [V]; NaN where none is
    known."""
    return extremes(solved.node, solved.voltage, len(solved.network.wiring.row), largest=False)


def pulled_down(solved: DcSolution) -> BoolArray:
    """(n,) True for the nodes whose supply may lie lower than computed; by how much is not recorded. It also
    carries part of a section that others feed, or its model does not state how far it falls."""
    network, source = solved.network, solved.source
    return lookup((network.shared & (source.resistance_ohm > 0)) | source.sags_unknown, network.tree)


def _run_figures(
    plant: Plant,
    solved: DcSolution,
    loads: PointLoads,
    demand: FloatArray,
    supported: FloatArray,
    only: Mapping[str, BoolArray],
) -> list[FigureBlock]:
    network, node = solved.network, solved.node
    wiring, rows, run = network.wiring, network.wiring.row, network.wiring.run
    run_row, runs = wiring.run_row, len(wiring.run_row)
    voltage = lowest_voltages(solved)
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
    lowest[HIGH, unknown | any_of(run, device & pulled_down(solved), runs)] = np.nan
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
    # where no segment of a run that is fed has a rating they are compared by their current
    rated = any_of(run, ~np.isnan(rating) & (network.tree >= 0), runs)
    against = np.where(rated[run], rating, 1.0)
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
            keep=has_load & only.get("run_voltage", True),
        ),
        wiring.runs.figures(
            "run_current",
            bands=run_current,
            bound=any_in_each(run[node[at_block]], solved.branch_bound[:, at_block], runs),
            limit=plant.runs.fuse_rating_a[run_row] * plant.factors.loading_fraction,
            supported=share_supported,
            keep=only.get("run_current", True)
            & (plant.runs.fuse_fitted[run_row] == 1)
            & (network.paralleled | ~np.isnan(run_current[LIKELY])),
        ),
        wiring.runs.figures(
            "conductor_current",
            bands=hardest,
            bound=amps_bound,
            limit=lookup(rating, worst),
            detail=lookup(point_id, lookup(network.segment, worst)),
            supported=share_supported,
            keep=only.get("conductor_current", True) & has_load & (network.paralleled | (worst[LIKELY] >= 0)),
        ),
    ]
