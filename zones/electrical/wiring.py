"""The points and runs that exist on a member's day, with parents resolved: the nodes of every network.

Every family of computations starts from this. Nodes are sorted by (member, run, rank), so the nodes of a run
are one slice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import FloatArray, IntArray
from .figures import Subjects
from .plant import BoolArray, Members, Plant, select
from .subjects import SubjectKind


@dataclass(frozen=True)
class Wiring:
    """member, row, run, parent: (n,) by node: its member, its row in ``plant.points``, its run (position in
    the run arrays), its parent node or −1 at the block. run_member, run_row: (k,) by run in service: its
    member, its row in ``plant.runs``. orphaned: (k,) the parent of some point does not
    exist on that day."""

    member: IntArray
    row: IntArray
    run: IntArray
    parent: IntArray
    run_member: IntArray
    run_row: IntArray
    orphaned: BoolArray

    def subjects(self, plant: Plant) -> Subjects:
        """The runs, as subjects of figures."""
        runs = plant.runs
        return Subjects(
            SubjectKind.RUN, self.run_member, runs.run_index[self.run_row], runs.group[self.run_row]
        )

    def only_runs(self, keep: BoolArray) -> Wiring:
        """The same wiring without some runs. keep: (k,)."""
        nodes = keep[self.run]
        run_number = np.cumsum(keep) - 1
        node_number = np.append(np.cumsum(nodes) - 1, -1)
        return Wiring(
            member=self.member[nodes],
            row=self.row[nodes],
            run=run_number[self.run[nodes]],
            parent=node_number[self.parent[nodes]],
            run_member=self.run_member[keep],
            run_row=self.run_row[keep],
            orphaned=self.orphaned[keep],
        )


def wire(plant: Plant, members: Members) -> Wiring:
    """The wiring of each member: the runs and points of its day, each point linked to its parent."""
    run_member, run_row = select(plant, "runs", members)
    member, row = select(plant, "points", members)
    run_key = run_member * max(len(plant.run_id), 1) + plant.runs.run_index[run_row]
    order = np.argsort(run_key, kind="stable")
    run_member, run_row, run_key = run_member[order], run_row[order], run_key[order]
    wanted = member * max(len(plant.run_id), 1) + plant.points.run_index[row]
    run, found = locate(run_key, wanted)
    member, row, run = member[found], row[found], run[found]

    width = max(len(plant.point_id), 1)
    key = member * width + plant.points.point_index[row]
    order = np.argsort(key, kind="stable")
    member, row, run, key = member[order], row[order], run[order], key[order]
    parent_point = plant.points.parent_index[row]
    parent, there = locate(key, member * width + parent_point)
    parent = np.where((parent_point >= 0) & there, parent, -1)
    orphaned = np.zeros(len(run_row), np.bool_)
    orphaned[run[(parent_point >= 0) & ~there]] = True
    return Wiring(member, row, run, parent, run_member, run_row, orphaned)


def locate(sorted_keys: IntArray, wanted: IntArray) -> tuple[IntArray, BoolArray]:
    """Position of each ``wanted`` key in ``sorted_keys`` (0 where it is missing), and whether it is there."""
    if len(sorted_keys) == 0:
        return np.zeros(len(wanted), np.int64), np.zeros(len(wanted), np.bool_)
    at = np.minimum(np.searchsorted(sorted_keys, wanted), len(sorted_keys) - 1)
    found = sorted_keys[at] == wanted
    return np.where(found, at, 0), found


def number_pairs(member: IntArray, thing: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """The distinct pairs of member and thing, sorted, and which pair each entry is.

    member, thing: (n,); an entry whose thing is −1 has no pair. Returns (k,) member, (k,) thing, and (n,)
    number of the pair, −1 none.

    >>> [a.tolist() for a in number_pairs(np.array([0, 0, 1]), np.array([4, -1, 3]))]
    [[0, 1], [4, 3], [0, -1, 1]]
    """
    width = int(thing.max(initial=0)) + 1
    key = np.where(thing >= 0, member * width + thing, -1)
    keys = np.unique(key[key >= 0])
    return keys // width, keys % width, np.where(key >= 0, np.searchsorted(keys, key), -1)


def renumber(kept: IntArray, count: int) -> IntArray:
    """(count + 1,) the new number of each of ``count`` nodes when only ``kept`` (k,) stay; −1 for the others
    and, as the last entry, for −1.

    >>> renumber(np.array([1, 2]), 3)[np.array([2, -1])].tolist()
    [1, -1]
    """
    number = np.full(count + 1, -1)
    number[kept] = np.arange(len(kept))
    return number


def rows_of(
    plant: Plant, name: str, index: str, members: Members, *, member: IntArray, thing: IntArray
) -> IntArray:
    """The row of a table that holds for each (member, thing); −1 where none does.

    name: of the plant's table; index: its column of things; member, thing: (n,), a thing of −1 has no row.
    """
    owner, row = select(plant, name, members)
    of_thing: IntArray = getattr(plant.tables[name], index)
    width = int(max(of_thing.max(initial=0), thing.max(initial=0))) + 1
    key = owner * width + of_thing[row]
    order = np.argsort(key, kind="stable")
    at, found = locate(key[order], member * width + thing)
    return np.where(found & (thing >= 0), np.append(row[order], -1)[at], -1)


def ancestor_closure(parent: IntArray, start: IntArray) -> BoolArray:
    """(n,) True for the nodes on the paths from ``start`` nodes (−1: none) to the top.

    parent: (n,) node above, −1 at the top; start: (k,).
    """
    on_path = np.zeros(len(parent), np.bool_)
    at = start[start >= 0]
    while len(at):
        on_path[at] = True
        at = parent[at]
        at = at[at >= 0]
    return on_path


def section_tops(parent: IntArray, cut: BoolArray) -> IntArray:
    """(n,) the topmost node of each node's section: a section ends where the segment to its parent is cut.

    Pointer doubling: as many rounds as the depth has binary digits.
    """
    top = np.where(cut | (parent < 0), np.arange(len(parent)), parent)
    while True:
        further = top[top]
        if np.array_equal(further, top):
            return top
        top = further


def first_where_extreme(owner: IntArray, value: FloatArray, count: int, *, largest: bool) -> IntArray:
    """For each owner 0..count−1 the first position of its ``largest`` value, or its smallest; −1 where it has
    none.

    owner: (n,); value: (n,), NaN never chosen.
    """
    usable = np.flatnonzero(~np.isnan(value))
    of, ranked = owner[usable], value[usable] if largest else -value[usable]
    best = np.full(count, -np.inf)
    np.maximum.at(best, of, ranked)
    hits = usable[ranked == best[of]][::-1]
    out = np.full(count, -1)
    out[owner[hits]] = hits  # backwards: the first comes last, and stays
    return out
