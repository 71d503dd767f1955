"""Trees of resistive loads, where each point is judged in corners of its own.

A shunting load can hide a long segment: the longer a side branch, the less it takes from the others. So no
corner of all values is the harshest for every point, and the worst branch may be one that is only guessed.
Each point p has its own corners:

* high: the segments on the path to p long, all others short, loads high;
* low: the path short, all others long, loads low;
* likely: everything likely.

That these are the extremes: the voltage at p falls with each resistance on its path and with each load, and
rises with each resistance off its path. A side branch with its segments is one conductance where it joins the
path, and all conductances along the path lower the voltage at p.

Method
------
O(n) for all points together. From the leaves to the root, with the lengths that segments have off a path: the
conductance G of a point and all behind it; seen from its parent, through a segment of resistance r, it is
``S = G / (1 + r G)``. From the root to the leaves, with the lengths that segments have on a path: what feeds
a point is a source of voltage E and resistance R (Thévenin), before the point takes anything. The source
feeds the terminal with E = 1 and R its own. On the way on to the child c, the point takes ``B = G − S(c)``,
its own load and all other branches, so c is fed with

    E(c) = E / (1 + R B) ,   R(c) = R / (1 + R B) + r(c) .

The voltage at a point is ``E / (1 + R G)``: everything behind it is off its path.

All shares of a segment that was cut at a distance not recorded are of one corner, or they would not add up
(``shared_lengths``). Where the first share is on the path, the others have the length that they have on a
path too, though they lie beside the path or behind the point. A path sees each branch so; only behind a first
share that is itself off the path do all shares have the other length. That takes a second pass from the
leaves, where there are shares.

Which points must be judged
---------------------------
All devices. Take a point behind E and R that draws B beside its child c, and write x for ``1 + r G`` of c. In
its own corner the child has ``E / ((1 + R B) x + R G)``, and the point in its own ``E / (1 + R B + R G /
x')`` with another ``x' >= 1``: never less. So where all limits are alike, the devices without one behind them
would do. But an input that needs more than the others can be anywhere, and since all points cost the same two
passes, none is left out.

Source: Thévenin's theorem; bridging and parallel loads as in audio handbooks (from memory).
"""

from __future__ import annotations

import numpy as np

from .bands import HIGH, LIKELY, LOW, FloatArray, IntArray
from .forest import Forest, Levels
from .plant import BoolArray, SharePlace


def voltages_in_own_corners(
    forest: Forest,
    *,
    source_ohm: FloatArray,
    segment_ohm: FloatArray,
    conductance_s: FloatArray,
    share_place: IntArray,
) -> FloatArray:
    """(3, n) voltage of each point in its own low, likely and high corner, as a fraction of the unloaded
    source's.

    forest: t trees of n points; source_ohm: (t,) [Ω]; segment_ohm, conductance_s: (3, n) [Ω], [S];
    share_place: (n,) of ``SharePlace``, −1 none. NaN in a tree, not known, makes all its voltages NaN in that
    band.

    Two branches of 1, 2 or 3 Ω behind 1 Ω, each with a load of 1 S. For a load, the other branch is 3 Ω in
    the low estimate, 1/4 S, so it is behind 4/5 V and 4/5 Ω + 1 Ω: 4/5 / (1 + 9/5) = 2/7. In the high one the
    other is 1 Ω, 1/2 S: 2/3 V and 2/3 Ω + 3 Ω, 2/3 / (1 + 11/3) = 1/7.

    >>> fork = Forest.build(parent=[-1, -1], tree=[0, 0])
    >>> ohm = np.array([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]])
    >>> voltages_in_own_corners(
    ...     fork, source_ohm=np.ones(1), segment_ohm=ohm, conductance_s=np.ones((3, 2)),
    ...     share_place=np.full(2, -1),
    ... )[:, 0].round(4).tolist()
    [0.2857, 0.2, 0.1429]
    """
    levels, count = forest.levels, len(forest.parent)
    path, beside, load = np.zeros((3, len(forest.node), 3))
    place = np.full(len(forest.node), -1)
    is_point = forest.node < count
    at, terminals = forest.node[is_point], slice(0, levels.bounds[1])
    path[is_point] = segment_ohm[:, at].T
    beside[is_point] = segment_ohm[[HIGH, LIKELY, LOW]][:, at].T
    load[is_point] = conductance_s[:, at].T
    place[is_point] = share_place[at]
    path[terminals] = source_ohm[levels.tree[terminals], None]

    inner, seen = _behind(levels, load, beside)
    if (place >= 0).any():
        # the first pass holds behind a first share: that is off the path with all the others
        own_whole = place == SharePlace.FIRST
        beside = np.where(_go_on(levels, place)[:, None], path, beside)
        inner, seen = _behind(levels, load, beside, np.where(own_whole[:, None], seen, np.nan))

    open_v, ohm = np.ones_like(inner), path
    for own, parents in levels.steps:
        # a sum of non-negative numbers is at least each of them, also when rounded
        taken = 1.0 + ohm[parents] * (inner[parents] - seen[own])
        open_v[own] = open_v[parents] / taken
        ohm[own] += ohm[parents] / taken
    voltage = np.empty((3, len(forest.node)))
    voltage[:, forest.node] = (open_v / (1.0 + ohm * inner)).T
    return voltage[:, :count]


def _behind(
    levels: Levels, load: FloatArray, ohm: FloatArray, known: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """(m, 3) the conductance of each node and all behind it, and as its parent sees it through its segment.

    known: (m, 3) as the parent sees it, where that is not NaN.
    """
    inner, seen = load.copy(), np.zeros_like(load)
    for own, parents in reversed(levels.steps):
        seen[own] = inner[own] / (1.0 + ohm[own] * inner[own])
        if known is not None:
            seen[own] = np.where(np.isnan(known[own]), seen[own], known[own])
        if isinstance(parents, slice):
            inner[parents] += seen[own]
        else:
            np.add.at(inner, parents, seen[own])
    return inner, seen


def _go_on(levels: Levels, place: IntArray) -> BoolArray:
    """(m,) True for shares of a segment that have another share of it above.

    place: (m,) of ``SharePlace``, −1 none.
    """
    above = np.zeros(len(place), np.bool_)
    for own, parents in levels.steps:
        above[own] = above[parents] | (place[parents] == SharePlace.FIRST)
    return np.asarray(above & ((place == SharePlace.MIDDLE) | (place == SharePlace.LAST)))
