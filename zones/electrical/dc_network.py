"""The DC trees of self-amplified runs: nodes by supply, sources and paging scenarios.

Cuts of the negative divide a run into sections. Each section is a tree rooted at its own feed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import FloatArray, IntArray
from .figures import Subjects, any_of, first_known, lookup
from .plant import BoolArray, Members, Plant, RunKind, expand, select
from .point_loads import PointLoads
from .subjects import SubjectKind
from .wiring import Wiring, rows_of, section_tops


@dataclass(frozen=True)
class DcNetwork:
    """The DC trees of a batch of members, before bands and scenarios.

    wiring: of self-amplified runs. top: (n,) the topmost node of each node's section. feeds: (n,) how many
    feeds meet in its section. tree: (n,) tree of each node, −1 where its section has no feed, or several.
    parent: (n,) DC parent (re-rooted where a section is fed mid-run), −1 at the feed. segment: (n,) the node
    whose segment of cable leads to the DC parent; −1 where the feed lands on the point itself. from_block:
    (n,) the segment leaves the block and is fed there. supplies: of the t trees, as subjects of figures.
    shared: (t,) the supply also feeds a section that another feed meets. paralleled: (k,) by run: several
    feeds meet in a section. reach_tree, reach_node: (r,) the nodes of the sections that each supply is
    connected to, whether others are or not; a pair may be there twice.
    """

    wiring: Wiring
    top: IntArray
    feeds: IntArray
    tree: IntArray
    parent: IntArray
    segment: IntArray
    from_block: BoolArray
    supplies: Subjects
    shared: BoolArray
    paralleled: BoolArray
    reach_tree: IntArray
    reach_node: IntArray

    def segment_ohm(self, loads: PointLoads, node: IntArray) -> FloatArray:
        """(3, x) resistance of the segment that leads to each ``node`` (x,) [Ω]; 0 where the feed is."""
        segment = self.segment[node]
        row = np.append(self.wiring.row, 0)[segment]
        ohm = np.where(segment >= 0, loads.loop_resistance_ohm[:, row], 0.0)
        # re-rooted: the current comes from the other end
        turned = np.flatnonzero((segment >= 0) & (segment != node) & ~np.isnan(loads.share[row]))
        if len(turned):
            ohm[:, turned] = loads.turned_loop_ohm(row[turned])
        return ohm


@dataclass(frozen=True)
class Sources:
    """(t,) by tree: open voltage [V]; top of its tolerance without load, or float charge if that is more [V];
    voltage at the bottom of its tolerance or battery [V], NaN unknown; internal resistance [Ω]; rated current
    [A]; whether it falls under load and by how much is not recorded; row in ``plant.supplies``, −1 none."""

    open_voltage_v: FloatArray
    highest_voltage_v: FloatArray
    voltage_v: FloatArray
    resistance_ohm: FloatArray
    rated_current_a: FloatArray
    sags_unknown: BoolArray
    row: IntArray


def dc_network(plant: Plant, everything: Wiring) -> DcNetwork:
    """The DC trees of each member, as of its step."""
    wiring = everything.only_runs(everything.run_kind == RunKind.SELF_AMPLIFIED)
    nodes = len(wiring.row)
    parent = wiring.parent.copy()
    cut = plant.points.negative_cut[wiring.row]
    top = section_tops(wiring.parent, cut)

    block_supply = plant.runs.supply_index[wiring.run_row][wiring.run]
    at_block = (wiring.parent < 0) & ~cut & (block_supply >= 0)
    feed_supply = plant.points.feed_supply_index[wiring.row]
    fed = np.flatnonzero(feed_supply >= 0)

    feeds = (at_block[top] + np.bincount(top[fed], minlength=nodes)[top]).astype(np.int64)
    several = feeds > 1

    supply = np.full(nodes, -1)
    mid_run = fed[~at_block[top[fed]]]
    _, first = np.unique(top[mid_run], return_index=True)
    mid_run = mid_run[first]
    supply[top[mid_run]] = feed_supply[mid_run]
    supply = np.where(at_block, block_supply, supply)[top]

    parent[cut] = -1
    segment = np.arange(nodes)
    # re-root a section that is fed mid-run: reverse the path from the feed to the section's top
    at, before, before_segment = mid_run.copy(), np.full(len(mid_run), -1), np.full(len(mid_run), -1)
    while len(at):
        above, is_top = wiring.parent[at], top[at] == at
        parent[at], segment_here = before, segment[at].copy()
        segment[at] = before_segment
        at, before, before_segment = above[~is_top], at[~is_top], segment_here[~is_top]

    # What each of several feeds carries of a section cannot be computed: no tree holds the section, and its
    # supplies are subjects all the same
    supplies, tree = Subjects.distinct(
        SubjectKind.SUPPLY,
        np.append(wiring.member, wiring.member[fed]),
        np.append(supply, feed_supply[fed]),
        plant.points.group[np.append(wiring.row, wiring.row[fed])],
    )
    in_several = np.append(several, several[fed])
    first_feed = np.flatnonzero(tree[:nodes] >= 0)
    joined, joined_node = _sections_joined(top, fed, several)
    return DcNetwork(
        wiring=wiring,
        top=top,
        feeds=feeds,
        tree=np.where(several, -1, tree[:nodes]),
        parent=parent,
        segment=segment,
        from_block=at_block & ~several,
        supplies=supplies,
        shared=any_of(tree, in_several, len(supplies.member)),  # each has a supply
        paralleled=any_of(wiring.run, several, len(wiring.run_row)),
        reach_tree=np.append(tree[first_feed], tree[nodes:][joined]),
        reach_node=np.append(first_feed, joined_node),
    )


def _sections_joined(top: IntArray, fed: IntArray, several: BoolArray) -> tuple[IntArray, IntArray]:
    """The feeds at points ``fed`` (f,) that meet other feeds: (position in ``fed``, node) for every node of
    their sections. top, several: (n,) by node."""
    joining = np.flatnonzero(several[fed])
    order = np.argsort(top, kind="stable")
    wanted = top[fed[joining]]
    of, at = expand(np.searchsorted(top[order], wanted, "left"), np.searchsorted(top[order], wanted, "right"))
    return joining[of], order[at]


def sources(plant: Plant, members: Members, network: DcNetwork) -> Sources:
    """The source of each tree as of its member's step.

    No-load voltage, rated-load voltage and rated current give the internal resistance; with one voltage alone
    it is zero. Two voltages without the current at which the second holds say that it falls, not how much. A
    battery's lowest voltage is taken as a voltage under load, with no resistance.
    """
    row = rows_of(plant, members, network.supplies)
    table = plant.supplies
    no_load, loaded = lookup(table.no_load_voltage_v, row), lookup(table.rated_load_voltage_v, row)
    rated = lookup(table.rated_current_a, row)
    open_voltage = first_known(no_load, loaded)
    lowest = lookup(table.lowest_voltage_v, row)
    tolerance = lookup(table.voltage_tolerance, row)
    resistance = np.where(np.isnan(lowest), (no_load - loaded) / rated, 0.0)
    return Sources(
        open_voltage_v=open_voltage,
        highest_voltage_v=np.fmax(open_voltage * (1.0 + tolerance), lookup(table.float_voltage_v, row)),
        voltage_v=first_known(lowest, open_voltage * (1.0 - tolerance)),
        resistance_ohm=np.fmax(resistance, 0.0),
        rated_current_a=rated,
        sags_unknown=np.isnan(lowest) & np.isnan(rated) & (no_load > loaded),
        row=row,
    )


@dataclass(frozen=True)
class Scenarios:
    """Which zones page together. member: (i,) by instance; at_once: (i,) every zone pages; alone: (i,) one
    zone pages that is in no set of its site. pages: keys of (instance, zone) that page in it."""

    member: IntArray
    at_once: BoolArray
    alone: BoolArray
    zones: IntArray
    pages: IntArray

    def pages_in(self, instance: IntArray, zone_id: IntArray) -> BoolArray:
        """True where a zone is named to page in an instance, or every zone pages."""
        zone = np.searchsorted(self.zones, zone_id)
        return self.at_once[instance] | np.isin(instance * len(self.zones) + zone, self.pages)


def scenarios(plant: Plant, members: Members) -> Scenarios:
    """One scenario a paging set of the day, and one for each zone in no set, which pages alone; at a site
    without sets every zone pages at once.

    Only zones with a self-amplified run have a scenario of their own.
    """
    owner, row = select(plant, "paging", members, site_wide=True)
    zones = np.unique(np.concatenate([plant.runs.zone_id, plant.paging.zone_id, [-1]]))
    width, count = len(zones), len(members)
    listed = owner * width + np.searchsorted(zones, plant.paging.zone_id[row])
    sets, set_of = np.unique(plant.paging.set_id[row], return_inverse=True)
    set_keys, instance = np.unique(owner * max(len(sets), 1) + set_of, return_inverse=True)

    with_sets = np.unique(owner)
    here = Members(members.site[with_sets], members.step[with_sets], members.group[with_sets])
    of_run, run = select(plant, "runs", here)
    zone_id = plant.runs.zone_id[run]
    self_amplified = plant.run_kind[plant.runs.run_index[run]] == RunKind.SELF_AMPLIFIED
    of_zone = with_sets[of_run] * width + np.searchsorted(zones, zone_id)
    alone = np.setdiff1d(of_zone[self_amplified & (zone_id >= 0)], listed)

    without = np.setdiff1d(np.arange(count), with_sets)
    kinds = np.repeat([0, 1, 2], [len(set_keys), len(alone), len(without)])
    return Scenarios(
        member=np.concatenate([set_keys // max(len(sets), 1), alone // width, without]),
        at_once=kinds == 2,
        alone=kinds == 1,
        zones=zones,
        pages=np.concatenate(
            [instance * width + listed % width, np.flatnonzero(kinds == 1) * width + alone % width]
        ),
    )


def signals(plant: Plant, members: Members, wiring: Wiring) -> IntArray:
    """(k,) by run of ``wiring``: the ``Signal`` of its zone as of the member's step; −1 where that, or the
    zone, is not recorded."""
    owner, row = select(plant, "zones", members, site_wide=True)
    width = int(max(plant.runs.zone_id.max(initial=0), plant.zones.zone_id.max(initial=0))) + 1
    keys = owner * width + plant.zones.zone_id[row]
    order = np.argsort(keys)
    own = plant.runs.zone_id[wiring.run_row]
    wanted = wiring.runs.member * width + own
    place = np.searchsorted(keys, wanted, sorter=order)
    at = np.append(order, -1)[place]
    known = (own >= 0) & (np.append(keys, -1)[at] == wanted)
    return np.where(known, np.append(plant.zones.signal[row], -1)[at], -1)
