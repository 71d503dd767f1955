"""The order of points in a run: every point after all points it was ever connected behind.

The order is what makes a tree a tree (a parent's rank is below its child's, checked by the database in every
row of facts, past ones included). A new point takes a rank between two others; when two lie too close for a
number between them, or a point moves behind one that comes later, the whole run gets new ranks.
"""

from __future__ import annotations

import graphlib
from collections.abc import Iterable

from sites.changes.errors import refuse
from sites.changes.work import Work, describe
from zones.models import Point, PointFacts, Run


def rank_before(work: Work, point: Point) -> float:
    """A rank just before that of ``point``: after every point that comes before it."""
    lower = _lower_neighbour(point)
    middle = (lower + point.rank) / 2
    if not lower < middle < point.rank:
        _order_again(work, point.run, [])
        point.refresh_from_db()
        lower = _lower_neighbour(point)
        middle = (lower + point.rank) / 2
    return middle


def rank_below(work: Work, point: Point, parent: Point) -> None:
    """Make ``point`` come after ``parent`` in their run."""
    if parent.rank >= point.rank:
        _order_again(work, point.run, [(parent.pk, point.pk)])
        point.refresh_from_db()
        parent.refresh_from_db()


def _lower_neighbour(point: Point) -> float:
    lower = Point.objects.filter(run_id=point.run_id, rank__lt=point.rank).order_by("-rank").first()
    return lower.rank if lower is not None else point.rank - 1


def _order_again(work: Work, run: Run, more: Iterable[tuple[int, int]]) -> None:
    """Give all points of a run new ranks: by every parent they ever had, then by the ranks they have.

    1. Sort by (parent, child) of every row of facts, those of ``more`` included; a circle is refused.
    2. Write the new ranks, all above the old ones, from the last point to the first: at every moment each
       child's rank is above its parent's, in all rows, so that the database's check holds between the steps.
       Foreign keys carry a point's rank into its facts.
    """
    points = {point.pk: point for point in Point.objects.filter(run=run)}
    before: dict[int, set[int]] = {pk: set() for pk in points}
    parents = PointFacts.objects.filter(run=run, parent__isnull=False).values_list("parent_id", "point_id")
    for parent, child in [*parents.distinct(), *more]:
        before[child].add(parent)
    order = _sorted(before, {pk: point.rank for pk, point in points.items()}, points)
    first = float(int(max((point.rank for point in points.values()), default=0.0)) + 1)
    for place in reversed(range(len(order))):
        Point.objects.filter(pk=order[place]).update(rank=first + place, change_set_id=work.change_set.pk)
    work.forget(Point)


def _sorted(before: dict[int, set[int]], ranks: dict[int, float], points: dict[int, Point]) -> list[int]:
    sorter = graphlib.TopologicalSorter(before)
    try:
        sorter.prepare()
    except graphlib.CycleError as error:
        circle = ", ".join(describe(points[pk]) for pk in dict.fromkeys(error.args[1]))
        detail = f"These points would be parents of each other, now or in the past: {circle}."
        raise refuse(detail, code="circle", path="/after_id") from error
    order: list[int] = []
    ready: list[int] = []
    while sorter.is_active():
        ready = sorted([*ready, *sorter.get_ready()], key=ranks.__getitem__)
        chosen = ready.pop(0)
        order.append(chosen)
        sorter.done(chosen)
    return order
