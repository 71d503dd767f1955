"""The points and runs that exist on a member's day, with parents resolved: the nodes of every network.

Every family of computations starts from this. Nodes are sorted by (member, run, rank), so the nodes of a run
are one slice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import LIKELY, FloatArray, IntArray
from .figures import Subjects, lookup
from .plant import TABLE_OF_KIND, BoolArray, Members, Plant, place_of, select
from .subjects import SubjectKind


@dataclass(frozen=True)
class Wiring:
    """member, row, run, parent: (n,) by node: its member, its row in ``plant.points``, its run (position in
    the run arrays), its parent node or −1 at the block. runs: the k runs in service, as subjects of figures.
    run_row, run_kind: (k,) row in ``plant.runs`` and ``RunKind`` of each. orphaned: (k,) the parent of some
    point does not exist on that day."""

    member: IntArray
    row: IntArray
    run: IntArray
    parent: IntArray
    runs: Subjects
    run_row: IntArray
    run_kind: IntArray
    orphaned: BoolArray

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
            runs=self.runs.only(keep),
            run_row=self.run_row[keep],
            run_kind=self.run_kind[keep],
            orphaned=self.orphaned[keep],
        )


def wire(plant: Plant, members: Members) -> Wiring:
    """The wiring of each member: the runs and points of its day, each point linked to its parent."""
    run_member, run_row = select(plant, "runs", members)
    member, row = select(plant, "points", members)
    table, width = plant.runs, max(len(plant.run_id), 1)
    run_key = run_member * width + table.run_index[run_row]
    order = np.argsort(run_key, kind="stable")
    run_member, run_row, run_key = run_member[order], run_row[order], run_key[order]
    run = place_of(run_key, member * width + plant.points.run_index[row])
    found = run >= 0
    member, row, run = member[found], row[found], run[found]

    width = max(len(plant.point_id), 1)
    key = member * width + plant.points.point_index[row]
    order = np.argsort(key, kind="stable")
    member, row, run, key = member[order], row[order], run[order], key[order]
    parent_point = plant.points.parent_index[row]
    parent = np.where(parent_point >= 0, place_of(key, member * width + parent_point), -1)
    orphaned = np.zeros(len(run_row), np.bool_)
    orphaned[run[(parent_point >= 0) & (parent < 0)]] = True
    run_index = table.run_index[run_row]
    runs = Subjects(SubjectKind.RUN, run_member, run_index, table.group[run_row])
    return Wiring(member, row, run, parent, runs, run_row, plant.run_kind[run_index], orphaned)


def renumber(kept: IntArray, count: int) -> IntArray:
    """(count + 1,) the new number of each of ``count`` nodes when only ``kept`` (k,) stay; −1 for the others
    and, as the last entry, for −1.

    >>> renumber(np.array([1, 2]), 3)[np.array([2, -1])].tolist()
    [1, -1]
    """
    number = np.full(count + 1, -1)
    number[kept] = np.arange(len(kept))
    return number


def rows_of(plant: Plant, members: Members, things: Subjects) -> IntArray:
    """(n,) the row that holds of each of ``things``, in the table of their kind; −1 where none does, or the
    index is −1."""
    name = TABLE_OF_KIND[things.kind.word]
    owner, row = select(plant, name, members)
    of_thing: IntArray = getattr(plant.tables[name], f"{things.kind.word}_index")
    width = int(max(of_thing.max(initial=0), things.index.max(initial=0))) + 1
    key = owner * width + of_thing[row]
    order = np.argsort(key, kind="stable")
    at = place_of(key[order], things.member * width + things.index)
    return np.where(things.index >= 0, np.append(row[order], -1)[at], -1)


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


TIED = 1e-9
"""What differs by less, relative to itself or to 1, is alike."""


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


def worst_by_estimate(owner: IntArray, value: FloatArray, count: int, *, largest: bool) -> IntArray:
    """(3, count) for each owner the position of its ``largest`` (smallest) value in each estimate; −1 where
    it has none.

    owner: (n,); value: (3, n), NaN never chosen. An estimate stays with the position of the likely one where
    that ties with its own but for rounding.
    """
    first = [first_where_extreme(owner, of_band, count, largest=largest) for of_band in value]
    for band, own in enumerate(first):
        likely = first[LIKELY]
        here, there = lookup(value[band], own), lookup(value[band], likely)
        with np.errstate(invalid="ignore"):
            tied = np.abs(here - there) <= TIED * np.maximum(np.abs(here), 1.0)
        first[band] = np.where(tied, likely, own)
    return np.stack(first)
