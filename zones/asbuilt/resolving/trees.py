"""The trees of the runs: every point after its parent, in an order that holds for the run's whole life.

The record keeps one rank a point, and a parent's lies before its children's; so what is parent of what on
any day, taken together, must have no ring. Points of the files without an ``order`` get their ranks here.
"""

from __future__ import annotations

import bisect
import heapq
import math
from collections import defaultdict
from graphlib import CycleError, TopologicalSorter

from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Thing

from .context import Context

Parents = dict[Thing, list[Thing]]


def settle_trees(context: Context) -> None:
    """Rank the new points of every run that the files mention; put aside what is behind a refused point."""
    mentioned = {point.key[0] for point in context.mentioned["points"]}
    by_run: dict[Thing, list[Thing]] = defaultdict(list)
    for point in context.world.things["points"]:
        if point.key[0] in mentioned:
            by_run[point.key[0]].append(point)
    for points in by_run.values():
        parents = {
            point: [parent for facts in point.facts if (parent := facts.values.get("parent_id")) is not None]
            for point in points
        }
        order, ring = _in_order(points, parents)
        if ring:
            _complain_of_ring(ring, set(points) - set(order))
        _rank(order, parents)
        _check_ranks(order, parents)
        _wait_for_parents(order)


def _in_order(points: list[Thing], parents: Parents) -> tuple[list[Thing], list[Thing]]:
    """Parents before children, and as the points are given where that leaves a choice; with a ring of
    parents, where there is one: what is in it or behind it has no place in the order.
    """
    sorter = TopologicalSorter(parents)
    ring: list[Thing] = []
    try:
        sorter.prepare()
    except CycleError as error:
        ring = error.args[1][1:]
    place = {point: number for number, point in enumerate(points)}
    ready: list[int] = []
    order: list[Thing] = []
    while sorter.is_active():
        for point in sorter.get_ready():
            heapq.heappush(ready, place[point])
        point = points[heapq.heappop(ready)]
        order.append(point)
        sorter.done(point)
    return order, ring


def _complain_of_ring(ring: list[Thing], left: set[Thing]) -> None:
    """Name a ring, parents first, on every row of it; the others that found no place wait for it."""
    first = min(range(len(ring)), key=lambda place: ring[place].label)
    ring = [*ring[first:], *ring[:first]]
    names = " ← ".join(str(point.key[-1]) for point in [*ring, ring[0]])
    for point in ring:
        for facts in point.facts:
            if facts.row is not None and facts.values.get("parent_id") in ring:
                message = f"the parents form a ring: {names}; a run is a tree from its block, on every day"
                facts.row.complain("parent", "ring", message)
    cause = next((point.row for point in ring if point.row is not None and point.row.is_refused()), None)
    for point in left - set(ring):
        if point.row is not None:
            point.row.wait_for(cause)


def _rank(order: list[Thing], parents: Parents) -> None:
    """Give the points without one a rank: between parents and children where those have one, else at the
    end.
    """
    before = _smallest_rank_below(order, parents)
    used = sorted({point.values["rank"] for point in order if point.values.get("rank") is not None})
    for point in order:
        if point.values.get("rank") is not None:
            continue
        high = before[point]
        if math.isinf(high):
            rank = math.floor(used[-1]) + 1.0 if used else 1.0
        else:
            place = bisect.bisect_left(used, high)
            rank = ((used[place - 1] if place else high - 2.0) + high) / 2
        point.values["rank"] = rank
        bisect.insort(used, rank)


def _smallest_rank_below(order: list[Thing], parents: Parents) -> dict[Thing, float]:
    """For each point, the smallest rank given to any point that is ever behind it."""
    smallest = dict.fromkeys(order, math.inf)
    for point in reversed(order):
        own = point.values.get("rank")
        bound = smallest[point] if own is None else min(smallest[point], own)
        for parent in parents[point]:
            smallest[parent] = min(smallest[parent], bound)
    return smallest


def _check_ranks(order: list[Thing], parents: Parents) -> None:
    seen: dict[float, Thing] = {}
    for point in order:
        rank = point.values["rank"]
        row = point.row
        other = seen.setdefault(rank, point)
        if row is None or row.is_refused():
            continue
        if other is not point:
            row.complain("order", "order_twice", f"{rank:g} is the order of {other.label} too")
        for parent in parents[point]:
            if parent.values["rank"] >= rank:
                message = f"{rank:g} is not after its parent's, {parent.values['rank']:g} of {parent.label}"
                row.complain("order", "before_its_parent", message)
                break


def _wait_for_parents(order: list[Thing]) -> None:
    """Parents first: a row whose parent is refused is put aside with it."""
    refused: dict[Thing, Row] = {}
    for point in order:
        for facts in point.facts:
            parent = facts.values.get("parent_id")
            if facts.row is not None and parent in refused:
                facts.row.wait_for(refused[parent])
        if not point.recorded and point.row is not None and point.row.is_refused():
            refused[point] = point.row
