"""The solver: 60,000 trees of about 20 points, of mixed loads, against one sweep over the same trees, and
against SciPy's sparse Newton."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.linalg import splu

from tests.bench.lines import Line, compare
from zones.electrical import radial
from zones.electrical.forest import Forest
from zones.electrical.radial import Solution, solve

NAME = "solver"
CASES = ("sweep", "collapse", "scipy")
TOGETHER = False
POINTS = 20
TREES_A_SITE = 12
"""Runs of a site, as in the synthetic fleet: 5,000 sites have 60,000."""
BRANCHING = 0.3
ROUNDS = 15
"""A sweep takes a hundredth of a second, of which one stray run says little."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Trees:
    """Trees behind 24 V, point after point, and the load at each point."""

    forest: Forest
    tree: NDArray[np.int64]
    parent: NDArray[np.int64]
    segment_ohm: Floats
    source_ohm: Floats
    current_a: Floats
    power_w: Floats
    conductance_s: Floats

    def loaded(self, factor: Floats) -> Trees:
        """The same with each tree's loads multiplied by its factor."""
        of_point = factor[self.tree]
        return replace(
            self,
            current_a=self.current_a * of_point,
            power_w=self.power_w * of_point,
            conductance_s=self.conductance_s * of_point,
        )

    def solve(self) -> Solution:
        return solve(
            self.forest,
            source_voltage_v=24.0,
            source_resistance_ohm=self.source_ohm,
            segment_resistance_ohm=self.segment_ohm,
            current_a=self.current_a,
            power_w=self.power_w,
            conductance_s=self.conductance_s,
        )

    def constant_current(self) -> Trees:
        """The same trees with every load a constant current: one sweep solves them."""
        none = np.zeros_like(self.power_w)
        return replace(self, current_a=self.current_a + self.power_w / 24.0, power_w=none, conductance_s=none)


def cases(wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    trees = grow(sites * TREES_A_SITE)
    for case in wanted:
        yield {"sweep": _sweep, "collapse": _collapse, "scipy": _scipy}[case](trees)


def grow(count: int, seed: int = 5) -> Trees:
    """Trees of 10 to 30 points; three in ten points do not follow the one before but an earlier one."""
    rng = np.random.default_rng(seed)
    size = rng.integers(POINTS // 2, POINTS * 3 // 2 + 1, count)
    tree = np.repeat(np.arange(count), size)
    first = np.repeat(np.cumsum(size) - size, size)
    place = np.arange(len(tree)) - first
    branches = rng.random(len(tree)) < BRANCHING
    parent = np.where(branches, (rng.random(len(tree)) * place).astype(np.int64), place - 1) + first
    parent[place == 0] = -1
    kind = rng.integers(0, 4, len(tree))
    speaker_a = rng.uniform(0.005, 0.04, len(tree))
    return Trees(
        forest=Forest.build(parent, tree, count),
        tree=tree,
        parent=parent,
        segment_ohm=rng.uniform(2.0, 15.0, len(tree)) * 0.17,
        source_ohm=rng.uniform(0.0, 0.5, count),
        current_a=np.where(kind == 0, speaker_a, 0.0),
        power_w=np.where(kind == 1, speaker_a * 24.0, 0.0),
        conductance_s=np.where(kind == 2, speaker_a / 24.0, 0.0),
    )


def near_collapse(trees: Trees, share: float = 0.1) -> Trees:
    """A share of the trees loaded to within two hundredths of the most that they carry, by bisection."""
    rng = np.random.default_rng(6)
    chosen = rng.random(trees.forest.tree_count) < share
    low, high = np.ones(len(chosen)), np.full(len(chosen), 4096.0)
    for _ in range(20):
        middle = np.sqrt(low * high)
        carried = trees.loaded(middle).solve().feasible
        low, high = np.where(carried, middle, low), np.where(carried, high, middle)
    return trees.loaded(np.where(chosen, low * rng.uniform(0.98, 1.0, len(low)), 1.0))


def _sizes(trees: Trees) -> dict[str, int | float]:
    count = trees.forest.tree_count
    return {"sites": count // TREES_A_SITE, "trees": count, "points": len(trees.tree)}


def _sweep(trees: Trees) -> Line:
    return compare(
        NAME, "sweep", trees.solve, _one_sweep(trees.constant_current()),
        goal=15, sizes=_sizes(trees), rounds=ROUNDS,
    )  # fmt: skip


def _collapse(trees: Trees) -> Line:
    yardstick = _one_sweep(trees.constant_current())
    return compare(
        NAME, "collapse", near_collapse(trees).solve, yardstick,
        goal=20, sizes=_sizes(trees), rounds=ROUNDS,
    )  # fmt: skip


def _one_sweep(trees: Trees) -> Callable[[], object]:
    """Leaves to root and back, once, in level order: no input is checked, no load linearised, no result
    gathered. It is less than the smallest call of ``solve``."""
    levels, node = trees.forest.levels, trees.forest.node
    nothing = np.zeros(trees.forest.tree_count)
    source = np.full(trees.forest.tree_count, 24.0)
    resistance = np.concatenate([trees.segment_ohm, trees.source_ohm])[node]
    current = np.concatenate([trees.current_a, nothing])[node]
    return lambda: radial._sweep(levels, source, resistance, current.copy(), np.zeros_like(current))


def _scipy(trees: Trees) -> Line:
    # SciPy's has no way to tell that a tree cannot be solved: those draw a quarter
    trees = trees.loaded(np.where(trees.solve().feasible, 1.0, 0.25))
    compared = compare(
        NAME, "scipy", trees.solve, lambda: _sparse_newton(trees), goal=1 / 12, sizes=_sizes(trees), rounds=3
    )
    np.testing.assert_allclose(_sparse_newton(trees), trees.solve().voltage_v, rtol=1e-9)
    return compared


def _sparse_newton(trees: Trees) -> Floats:
    """All trees as one block-diagonal network of node voltages, Newton's steps by SuperLU."""
    points, count = len(trees.tree), trees.forest.tree_count
    # behind an internal resistance of nothing the terminal is the source: some picovolts, for one pattern
    source_s = 1.0 / np.maximum(trees.source_ohm, 1e-9)
    segment_s = 1.0 / trees.segment_ohm
    own = np.arange(points)
    above = np.where(trees.parent < 0, points + trees.tree, trees.parent)
    terminals = points + np.arange(count)
    rows = np.concatenate([own, above, own, above, terminals])
    columns = np.concatenate([own, above, above, own, terminals])
    entries = np.concatenate([segment_s, segment_s, -segment_s, -segment_s, source_s])
    size = points + count
    network = coo_array((entries, (rows, columns)), shape=(size, size)).tocsc()
    diagonal = np.flatnonzero(network.indices == np.repeat(np.arange(size), np.diff(network.indptr)))
    none = np.zeros(count)
    current, power, conductance = (
        np.concatenate([load, none]) for load in (trees.current_a, trees.power_w, trees.conductance_s)
    )
    injected = np.concatenate([np.zeros(points), source_s * 24.0])
    voltage, jacobian = np.full(size, 24.0), network.copy()
    for _ in range(25):
        residual = network @ voltage + current + power / voltage + conductance * voltage - injected
        jacobian.data[diagonal] = network.data[diagonal] + conductance - power / voltage**2
        change = splu(jacobian, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(residual)
        voltage -= change
        if np.abs(change).max() < 1e-11 * 24.0:
            return voltage[:points]
    raise ArithmeticError("SciPy's Newton does not settle")
