"""The DC trees of self-amplified runs: what hangs on which supply, its source, who pages, and the solution.

A section is what lies between cuts of the negative; each is a tree rooted at its own feed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import FloatArray, IntArray
from .figures import sums
from .forest import Forest
from .plant import BoolArray, Members, Plant, RunKind, select
from .radial import Solution, solve
from .wiring import Wiring, rows_of, section_tops


@dataclass(frozen=True)
class DcNetwork:
    """The DC trees of a batch of members, before bands and scenarios.

    wiring: of self-amplified runs. tree: (n,) tree of each node, −1 where its section has no feed. parent:
    (n,) DC parent (re-rooted where a section is fed mid-run), −1 at the feed. segment: (n,) the node whose
    segment of cable leads to the DC parent; −1 where the feed lands on the point itself. from_block: (n,) the
    segment leaves the block, fed there. tree_member, tree_supply: (t,) member and supply index. paralleled:
    (k,) by run: two feeds meet.
    """

    wiring: Wiring
    tree: IntArray
    parent: IntArray
    segment: IntArray
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
    cut = plant.points.negative_cut[wiring.row]
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
    segment = np.arange(nodes)
    # re-root a section that is fed in its midst: turn the path from the feed to the section's top around
    at, before, before_segment = midst.copy(), np.full(len(midst), -1), np.full(len(midst), -1)
    while len(at):
        above, is_top = wiring.parent[at], top[at] == at
        parent[at], segment_here = before, segment[at].copy()
        segment[at] = before_segment
        at, before, before_segment = above[~is_top], at[~is_top], segment_here[~is_top]

    width = max(len(plant.supply_id), 1)
    key = np.where(supply >= 0, wiring.member * width + supply, -1)
    keys = np.unique(key[key >= 0])
    tree = np.where(key >= 0, np.searchsorted(keys, key), -1)
    return DcNetwork(wiring, tree, parent, segment, at_block, keys // width, keys % width, paralleled)


def sources(plant: Plant, members: Members, network: DcNetwork) -> Sources:
    """The source of each tree as of its member's step: at the bottom of its tolerance, or of its battery.

    No-load and rated-load voltage and rated current give the internal resistance; one voltage alone is stiff.
    A battery's lowest voltage is its voltage under load, and taken as stiff.
    """
    source_row = rows_of(
        plant, "supplies", "supply_index", members, member=network.tree_member, thing=network.tree_supply
    )

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


def solve_bands(
    parent: IntArray,
    position: IntArray,
    tree: IntArray,
    source_voltage_v: FloatArray,
    source_resistance_ohm: FloatArray,
    segment_ohm: FloatArray,
    amps: FloatArray,
    watts: FloatArray,
    nominal_v: float,
) -> Solution:
    """Solve the same trees in three bands, as one forest three times as large.

    parent: (n,) node positions of the caller; position: (n,) the caller's position of each node here; tree:
    (n,); source_voltage_v, source_resistance_ohm: (t,); segment_ohm, amps, watts: (3, n). Where a source
    voltage is NaN the currents are those at nominal_v and the voltages NaN. Infeasible: 0 V, and the current
    demanded at the source voltage, or that of the next kinder band if it is more. Returns a Solution with
    arrays reshaped to (3, n) and (3, t).
    """
    nodes, trees = len(position), len(source_voltage_v)
    number = np.full(int(position.max(initial=-1)) + 2, -1)
    number[position] = np.arange(nodes)
    local = np.where(parent >= 0, number[parent], -1)
    unknown = np.isnan(source_voltage_v)
    volts = np.where(unknown, nominal_v, source_voltage_v)
    solved = solve(
        Forest.build(local, tree, trees).times(3),
        source_voltage_v=np.tile(volts, 3),
        source_resistance_ohm=np.tile(source_resistance_ohm, 3),
        segment_resistance_ohm=segment_ohm.ravel(),
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
    source_current = np.where(feasible, solved.source_current_a.reshape(3, trees), fallback)
    if not node_ok.all():
        # loads in watts draw more at the low voltage of a kinder band than is demanded at the source's
        branch = np.maximum.accumulate(np.where(node_ok, branch, _demand_behind(local, demanded)), axis=0)
        source_current = np.maximum.accumulate(source_current, axis=0)
    return Solution(
        feasible=feasible,
        reason=solved.reason.reshape(3, trees),
        voltage_v=np.where(unknown[tree], np.nan, voltage),
        load_current_a=np.where(node_ok, solved.load_current_a.reshape(3, nodes), demanded),
        branch_current_a=branch,
        terminal_voltage_v=np.where(feasible, solved.terminal_voltage_v.reshape(3, trees), 0.0),
        source_current_a=source_current,
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
