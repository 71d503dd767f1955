"""The trees of the runs: every point after its parent, in an order that holds for the run's whole life.

The record keeps one rank a point, and a parent's lies before its children's; so what is parent of what on
any day, taken together, must have no ring. Points of the files without an ``order`` get their ranks here.
"""

from __future__ import annotations

import heapq
import math
from collections import defaultdict

from zones.asbuilt.parsing import Row
from zones.asbuilt.things import Thing

from .context import Context

Parents = dict[Thing, list[Thing]]


def settle_trees(context: Context) -> None:
    """Rank the new points of every run that the files speak of; put aside what hangs on a refused point."""
    spoken_of = {point.key[0] for point in context.spoken["points"]}
    by_run: dict[Thing, list[Thing]] = defaultdict(list)
    for point in context.world.things["points"]:
        if point.key[0] in spoken_of:
            by_run[point.key[0]].append(point)
    for points in by_run.values():
        parents = _parents(points)
        order = _in_order(points, parents)
        if len(order) < len(points):
            _complain_of_ring(set(points) - set(order), parents)
        _rank(order, parents)
        _check_ranks(order, parents)
        _wait_for_parents(order)


def _parents(points: list[Thing]) -> Parents:
    """The parents that each point ever has."""
    return {
        point: [
            facts.values["parent_id"] for facts in point.facts if facts.values.get("parent_id") is not None
        ]
        for point in points
    }


def _in_order(points: list[Thing], parents: Parents) -> list[Thing]:
    """Parents before children, and as the points are given where that leaves a choice. Shorter where there
    is a ring.
    """
    place = {point: number for number, point in enumerate(points)}
    waiting = {point: len(set(parents[point])) for point in points}
    children: dict[Thing, list[Thing]] = defaultdict(list)
    for point in points:
        for parent in set(parents[point]):
            children[parent].append(point)
    ready = [place[point] for point in points if waiting[point] == 0]
    heapq.heapify(ready)
    order = []
    while ready:
        point = points[heapq.heappop(ready)]
        order.append(point)
        for child in children[point]:
            waiting[child] -= 1
            if waiting[child] == 0:
                heapq.heappush(ready, place[child])
    return order


def _complain_of_ring(left: set[Thing], parents: Parents) -> None:
    """Name a ring among the points that found no place, on every row of it; the others of them hang behind
    one.
    """
    at = next(iter(sorted(left, key=lambda point: point.label)))
    path: list[Thing] = []
    while at not in path:
        path.append(at)
        at = next(parent for parent in parents[at] if parent in left)
    ring = [*path[path.index(at) :], at]
    names = " ← ".join(str(point.key[-1]) for point in reversed(ring))
    for point in ring[:-1]:
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
            low = max((rank for rank in used if rank < high), default=high - 2.0)
            rank = (low + high) / 2
        point.values["rank"] = rank
        used = sorted({*used, rank})


def _smallest_rank_below(order: list[Thing], parents: Parents) -> dict[Thing, float]:
    """For each point, the smallest rank given to anything that ever hangs behind it."""
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
    """Parents first: a row that hangs on a point which is refused is put aside with it, and the point's later
    rows with that row.
    """
    refused: dict[Thing, Row | None] = {}
    for point in order:
        cause = None
        for facts in sorted(point.facts, key=lambda facts: facts.change.position):
            if facts.row is None:
                continue
            parent = facts.values.get("parent_id")
            if parent in refused:
                facts.row.wait_for(refused[parent])
            if cause is not None:
                facts.row.wait_for(cause)
            cause = facts.row if facts.row.is_refused() else cause
        if not point.recorded and point.row is not None and point.row.is_refused():
            refused[point] = point.row
