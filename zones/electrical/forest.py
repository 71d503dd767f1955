"""The shape of radial networks: the parent of each point, for many trees at once, sorted for the solver.

A shape holds no resistance, load or voltage.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

Indices: TypeAlias = NDArray[np.intp]
Floats: TypeAlias = NDArray[np.float64]

_NARROW = 8  # points a level, below which plain floats beat array calls


@dataclass(frozen=True, eq=False)
class Levels:
    """m nodes (points and terminals) sorted by their distance from the terminal in segments.

    A level is a contiguous slice, in the order of its parents, which all lie in the level before. The first
    level holds the terminals, those of the deepest trees first, so that the parents in unbranched runs are a
    slice, too: several times faster than an array of positions.

    bounds: first position of each level, then m. parent: (m,) position of each node's parent, -1 for a
    terminal; tree: (m,). steps: of each level but the first, its slice and the positions of its parents.
    narrow: the levels hold so few points that plain floats beat array calls.
    """

    bounds: list[int]
    parent: Indices
    tree: Indices
    steps: list[tuple[slice, slice | Indices]]
    narrow: bool

    @classmethod
    def build(cls, bounds: list[int], parent: Indices, tree: Indices) -> Levels:
        # the parents of a level are a slice where each position is one more than the one before
        breaks = np.zeros(len(parent) + 1, dtype=np.intp)
        np.cumsum(np.diff(parent) != 1, out=breaks[1:-1])
        steps: list[tuple[slice, slice | Indices]] = []
        for start, stop in pairwise(bounds[1:]):
            first = int(parent[start])
            contiguous = breaks[start] == breaks[stop - 1]
            parents = slice(first, first + stop - start) if contiguous else parent[start:stop]
            steps.append((slice(start, stop), parents))
        return cls(bounds, parent, tree, steps, len(parent) < _NARROW * len(steps))

    def only(self, kept: Indices) -> Levels:
        """The levels of the nodes at the positions `kept`, which are ascending and make whole trees."""
        new_position = np.empty(len(self.parent), dtype=np.intp)
        new_position[kept] = np.arange(len(kept))
        parent = self.parent[kept]
        below = parent >= 0
        parent[below] = new_position[parent[below]]
        bounds = np.unique(np.searchsorted(kept, self.bounds)).tolist()
        return Levels.build(bounds, parent, self.tree[kept])

    def add_to_parents(self, values: Floats) -> None:
        """Make each node's value the sum over the node and everything behind it, in place."""
        if self.narrow:
            parent, sums = self.parent.tolist(), values.tolist()
            for start, stop in zip(self.bounds[-2:0:-1], self.bounds[:1:-1], strict=True):
                for node in range(start, stop):
                    sums[parent[node]] += sums[node]
            values[:] = sums
            return
        for own, parents in reversed(self.steps):
            # a copy, because `add.at` takes ten times as long where the two overlap
            add_at(values, parents, values[own].copy())


def add_at(values: Floats, parents: slice | Indices, addend: Floats) -> None:
    """Add to ``values`` (n,), in place, each ``addend`` (m,) at its place in ``parents``: they may repeat."""
    if isinstance(parents, slice):
        values[parents] += addend
    else:
        np.add.at(values, parents, addend)


@dataclass(frozen=True, eq=False)
class Forest:
    """The shape of t trees with n points together, for any number of solves.

    parent: (n,) index of each point's parent, -1 for the terminal of its tree; tree: (n,) 0..t-1. node:
    (n + t,) level order: the index of a point, or n + the index of a tree for its terminal.

    >>> fork = Forest.build(parent=[-1, 0, 0], tree=[0, 0, 0])
    >>> fork.tree_count, len(fork.parent)
    (1, 3)
    """

    parent: Indices
    tree: Indices
    tree_count: int
    levels: Levels
    node: Indices

    @classmethod
    def build(cls, parent: ArrayLike, tree: ArrayLike, tree_count: int | None = None) -> Forest:
        """A shape, checked and sorted.

        parent: (n,) index of each point's parent, which may come after it; -1: the terminal of its tree.
        tree: (n,) from 0 to t - 1.
        tree_count: t, by default one more than the largest in `tree`; a tree may have no points.
        Raises ValueError, naming the point, where a parent is out of range or in another tree, or segments
        form a cycle.
        """
        parent, tree = _whole_numbers("parent", parent), _whole_numbers("tree", tree)
        if parent.shape != tree.shape:
            raise ValueError(f"parent has {parent.size} entries and tree has {tree.size}: expected as many")
        n = parent.size
        if tree_count is None:
            tree_count = int(tree.max()) + 1 if n else 0
        for name, values, low, high in (("parent", parent, -1, n), ("tree", tree, 0, tree_count)):
            wrong = np.flatnonzero((values < low) | (values >= high))
            if wrong.size:
                point = int(wrong[0])
                raise ValueError(f"{name}[{point}] is {values[point]}: expected {low} to {high - 1}")
        strangers = np.flatnonzero((parent >= 0) & (tree[parent] != tree)) if n else parent
        if strangers.size:
            point = int(strangers[0])
            raise ValueError(
                f"parent[{point}] is {parent[point]}, which is in tree {tree[parent[point]]}: "
                f"expected a point of tree {tree[point]}"
            )
        levels, node = _sort_by_level(parent, tree, tree_count)
        for array in (parent, tree):
            array.flags.writeable = False
        return cls(parent, tree, tree_count, levels, node)

    def times(self, copies: int) -> Forest:
        """The same trees ``copies`` times: in copy c point i is i + c n, and tree k is k + c t.

        Not sorted again: the copies of a node follow one another in its level, as their parents do in theirs.

        >>> Forest.build(parent=[-1, 0], tree=[0, 0]).times(2).parent.tolist()
        [-1, 0, -1, 2]
        """
        n, t = len(self.parent), self.tree_count
        copy = np.arange(copies)

        def one_by_one(values: Indices, step: int) -> Indices:
            return (values[:, None] + copy * step).ravel()

        is_point = self.node < n
        node = np.where(
            np.repeat(is_point, copies),
            one_by_one(self.node, n),
            one_by_one(self.node + (copies - 1) * n, t),
        )
        parent = np.where(
            np.repeat(self.levels.parent >= 0, copies), one_by_one(self.levels.parent * copies, 1), -1
        )
        bounds = (np.array(self.levels.bounds) * copies).tolist()
        levels = Levels.build(bounds, parent, one_by_one(self.levels.tree, t))
        given_parent = np.where(self.parent < 0, -1, self.parent + copy[:, None] * n).ravel()
        given_tree = (self.tree + copy[:, None] * t).ravel()
        return Forest(given_parent, given_tree, copies * t, levels, node)

    def totals(self, values: Floats) -> Floats:
        """(n,) the sum of ``values`` (n,) over each point and all points behind it."""
        in_level_order = np.append(values, np.zeros(self.tree_count))[self.node]
        self.levels.add_to_parents(in_level_order)
        total = np.empty_like(in_level_order)
        total[self.node] = in_level_order
        return total[: len(values)]


def _whole_numbers(name: str, values: ArrayLike) -> Indices:
    array = np.asarray(values)
    if array.ndim != 1 or (array.size and array.dtype.kind not in "iu"):
        raise ValueError(f"{name}: expected whole numbers in one dimension, not {array.dtype} {array.shape}")
    return array.astype(np.intp)  # a copy: the caller's may change


def _depths(parent: Indices) -> Indices:
    """Number of segments between each point and its terminal, by doubling the stride: log2(depth) passes."""
    n = parent.size
    ancestor = np.append(np.where(parent < 0, n, parent), n)
    depth = (ancestor < n).astype(np.intp)
    for _ in range(n.bit_length() + 1):
        if (ancestor == n).all():
            return depth[:n] + 1
        depth += depth[ancestor]
        ancestor = ancestor[ancestor]
    # after more strides than points, what has not reached a terminal is on or behind a cycle
    cycle = [int(ancestor[np.flatnonzero(ancestor < n)[0]])]
    while (following := int(parent[cycle[-1]])) != cycle[0]:
        cycle.append(following)
    shown = [str(point) for point in [*cycle[:8], *(["…"] if len(cycle) > 8 else []), cycle[0]]]
    raise ValueError(f"parent[{cycle[0]}] closes a cycle of {len(cycle)}: {' → '.join(shown)}")


def _sort_by_level(parent: Indices, tree: Indices, tree_count: int) -> tuple[Levels, Indices]:
    n = parent.size
    depth = np.concatenate([_depths(parent), np.zeros(tree_count, dtype=np.intp)])
    above = np.concatenate([np.where(parent < 0, n + tree, parent), np.full(tree_count, -1, dtype=np.intp)])
    height = np.zeros(tree_count, dtype=np.intp)
    np.maximum.at(height, tree, depth[:n])
    # a stable sort of 16-bit numbers is a radix sort
    node = np.argsort(depth.astype(np.min_scalar_type(depth.max(initial=0))), kind="stable")
    bounds = [0, *np.cumsum(np.bincount(depth, minlength=1)).tolist()]
    position = np.empty(n + tree_count, dtype=np.intp)
    for level, (start, stop) in enumerate(pairwise(bounds)):
        members = node[start:stop]
        if stop - start > 1:
            members = members[np.argsort(position[above[members]] if level else -height, kind="stable")]
            node[start:stop] = members
        position[members] = np.arange(start, stop)
    parent_position = np.where(above[node] < 0, -1, position[above[node]])
    tree_of_node = np.concatenate([tree, np.arange(tree_count)])[node]
    return Levels.build(bounds, parent_position, tree_of_node), node
