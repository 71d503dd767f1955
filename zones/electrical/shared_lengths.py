"""Segments that were cut at a distance nobody recorded.

A point cut into a segment divides it in two. Where its distance is not recorded, the two add up to the old
segment in every estimate: likely halves; in the high one all of it lies before the new point, in the low one
behind it. So each of the two is recorded as a *share* of the whole, with its place in it, and the whole
length is the share's divided by the share. A bare splice then changes no figure. Common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .plant import FOREVER, BoolArray, PointRows, SharePlace, expand


@dataclass(frozen=True)
class Wholes:
    """By point row, of the whole that its segment is a share of, or of the segment itself; n rows.

    length_m: (n,) as recorded, NaN unknown. home_run: (n,) it comes from the block. point, parent: (n,) the
    point that it leads to, and the one that it comes from (−1 the block): who cuts into it changes neither.
    """

    length_m: FloatArray
    home_run: BoolArray
    point: IntArray
    parent: IntArray


def wholes(rows: PointRows) -> Wholes:
    """The whole of each segment, as of the days on which its row holds.

    rows: of points, in the order of the plant. A share that follows others (its place is middle or last) is
    followed up the run to the first one. On the way there may be points whose own length was measured since.
    Where the points above change while the row holds, those at its beginning count: a later change is not to
    move the whole of an earlier day.
    """
    point, parent = rows.point_index.copy(), rows.parent_index.copy()
    share = np.where(np.isnan(rows.length_share), 1.0, rows.length_share)
    later = np.flatnonzero(rows.length_share_place == SharePlace.LAST)
    later = np.append(later, np.flatnonzero(rows.length_share_place == SharePlace.MIDDLE))
    # each with every row of the points above it, while both hold
    at, begin, end = later, rows.begin[later], rows.end[later]
    origin = later
    since = np.full(len(point), FOREVER)
    while len(at):
        above = rows.parent_index[at]
        start = np.searchsorted(rows.point_index, above, side="left")
        stop = np.where(above >= 0, np.searchsorted(rows.point_index, above, side="right"), start)
        of, row = expand(start, stop)
        begin, end = np.maximum(begin[of], rows.begin[row]), np.minimum(end[of], rows.end[row])
        there = begin < end
        origin, at, begin, end = origin[of][there], row[there], begin[there], end[there]
        place = rows.length_share_place[at]
        ours = (place == SharePlace.FIRST) | (place == SharePlace.MIDDLE)
        to_last = ours & (rows.length_share_place[origin] == SharePlace.LAST)
        point[at[to_last]] = rows.point_index[origin[to_last]]
        first = place == SharePlace.FIRST
        earlier = np.flatnonzero(first & (begin < since[origin]))
        earlier = earlier[np.argsort(-begin[earlier], kind="stable")]  # of one row, the earliest is set last
        since[origin[earlier]] = begin[earlier]
        parent[origin[earlier]] = rows.parent_index[at[earlier]]
        origin, at, begin, end = origin[~first], at[~first], begin[~first], end[~first]
    return Wholes(rows.length_m / share, parent < 0, point, parent)


def deal(
    whole_m: FloatArray, share: FloatArray, place: IntArray, *, turned: BoolArray | bool = False
) -> FloatArray:
    """(3, n) lengths of segments from those of their wholes [m].

    whole_m: (3, n) low, likely, high [m]. share: (n,) of the likely length, NaN of a segment that is its own
    whole. place: (n,) of ``SharePlace``. turned: (n,) True where the run is fed from the other end.

    10 m off a drawing (× 0.95–1.4), cut somewhere: before the new point, and behind it:

    >>> whole = np.array([[9.5, 9.5], [10.0, 10.0], [14.0, 14.0]])
    >>> deal(whole, np.array([0.5, 0.5]), np.array([SharePlace.FIRST, SharePlace.LAST])).tolist()
    [[0.0, 9.5], [5.0, 5.0], [14.0, 0.0]]
    """
    first, last = place == SharePlace.FIRST, place == SharePlace.LAST
    before, behind = np.where(turned, last, first), np.where(turned, first, last)
    out = whole_m.copy()
    out[LOW] = np.where(behind, whole_m[LOW], 0.0)
    out[LIKELY] = whole_m[LIKELY] * np.where(np.isnan(share), 1.0, share)
    out[HIGH] = np.where(before | (place == SharePlace.ALONE), whole_m[HIGH], 0.0)
    return np.where(np.isnan(share), whole_m, out)
