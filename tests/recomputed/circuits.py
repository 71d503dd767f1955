"""Trees of resistances, solved the plain way.

Loads of constant current and constant power: sweep after sweep, currents from voltages and voltages from
currents, from the source voltage down. Each sweep lowers every voltage (less voltage means no less current),
so the sweeps close in on the highest solution from above, or go through zero where there is none. Slow near
collapse, which is why nobody else does it so.

Loads of constant resistance: the impedance of everything behind a point, from the ends to the source, then
the voltages by division, from the source to the ends.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Generic, TypeVar

N = TypeVar("N", bound=Hashable)

PATIENCE = 200_000


class KnifeEdgeError(Exception):
    """Too close to collapse for a plain computation to tell."""


@dataclass
class Branch:
    """ohm: of the loop from the parent. amps, watts: what hangs at the point."""

    ohm: float
    amps: float = 0.0
    watts: float = 0.0


@dataclass
class Tree(Generic[N]):
    """parent: by point, None at the source. Parents are entered before their children."""

    parent: dict[N, N | None] = field(default_factory=dict)
    branches: dict[N, Branch] = field(default_factory=dict)

    def add(self, point: N, parent: N | None, branch: Branch) -> None:
        assert parent is None or parent in self.parent
        self.parent[point] = parent
        self.branches[point] = branch


@dataclass
class Solved(Generic[N]):
    """feasible: there is a stable solution with every voltage above zero. volts; through: current in the
    piece to each point; terminal_v, source_a: at the source. Where infeasible: 0 V, and the currents that the
    loads demand at the source voltage."""

    feasible: bool
    volts: dict[N, float]
    drawn: dict[N, float]
    through: dict[N, float]
    terminal_v: float
    source_a: float


def solve(tree: Tree[N], source_v: float, source_ohm: float = 0.0) -> Solved[N]:
    downward = list(tree.parent)
    volts = dict.fromkeys(downward, source_v)
    demanded = {n: b.amps + b.watts / source_v for n, b in tree.branches.items()}
    curved = any(b.watts > 0 for b in tree.branches.values())
    for _ in range(PATIENCE):
        drawn = {n: b.amps + b.watts / volts[n] for n, b in tree.branches.items()}
        through, source_a = _gathered(tree, drawn)
        terminal_v = source_v - source_ohm * source_a
        following: dict[N, float] = {}
        for point in downward:
            parent = tree.parent[point]
            above = terminal_v if parent is None else following[parent]
            following[point] = above - tree.branches[point].ohm * through[point]
        if terminal_v <= 0 or any(v <= 0 for v in following.values()):
            through, source_a = _gathered(tree, demanded)
            return Solved(False, dict.fromkeys(downward, 0.0), demanded, through, 0.0, source_a)
        fall = max((volts[n] - following[n] for n in downward), default=0.0)
        volts = following
        if not curved or fall <= 2e-15 * source_v:
            return Solved(True, volts, drawn, through, terminal_v, source_a)
    raise KnifeEdgeError


def _gathered(tree: Tree[N], drawn: dict[N, float]) -> tuple[dict[N, float], float]:
    through = dict(drawn)
    total = 0.0
    for point in reversed(list(tree.parent)):
        parent = tree.parent[point]
        if parent is None:
            total += through[point]
        else:
            through[parent] += through[point]
    return through, total


def divide(tree: Tree[N], siemens: dict[N, float], source_ohm: float = 0.0) -> dict[N, float]:
    """Voltages of loads of constant resistance, as fractions of the source's unloaded voltage."""
    behind = dict(siemens)  # conductance of the point and all behind it
    at_source = 0.0
    for point in reversed(list(tree.parent)):
        parent = tree.parent[point]
        seen = behind[point] / (1 + tree.branches[point].ohm * behind[point])
        if parent is None:
            at_source += seen
        else:
            behind[parent] += seen
    fractions: dict[N, float] = {}
    for point, parent in tree.parent.items():
        above = 1 / (1 + source_ohm * at_source) if parent is None else fractions[parent]
        fractions[point] = above / (1 + tree.branches[point].ohm * behind[point])
    return fractions
