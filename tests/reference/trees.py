"""Reference trees handed to the product's solver, all in one call."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tests.reference.random_trees import Tree
from zones.electrical.forest import Forest
from zones.electrical.radial import Solution, solve


def first_points(trees: Sequence[Tree]) -> NDArray[np.intp]:
    """Where the points of each tree begin among all points, and their number."""
    return np.cumsum([0, *(len(tree.parent) for tree in trees)])


def solve_trees(trees: Sequence[Tree]) -> Solution:
    firsts = first_points(trees)
    parent = [
        above if above < 0 else int(first) + above
        for first, tree in zip(firsts, trees, strict=False)
        for above in tree.parent
    ]
    tree_of_point = np.repeat(np.arange(len(trees)), np.diff(firsts))

    def joined(name: str) -> list[float]:
        return [value for tree in trees for value in getattr(tree, name)]

    return solve(
        Forest.build(parent, tree_of_point, len(trees)),
        source_voltage_v=[tree.source_voltage_v for tree in trees],
        source_resistance_ohm=[tree.source_resistance_ohm for tree in trees],
        segment_resistance_ohm=joined("segment_resistance_ohm"),
        current_a=joined("current_a"),
        power_w=joined("power_w"),
        conductance_s=joined("conductance_s"),
    )
