"""Trees drawn by hypothesis, as arrays for the solver."""

from dataclasses import dataclass, replace

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray

from zones.electrical.forest import Forest
from zones.electrical.radial import Solution, solve


@dataclass(frozen=True)
class Case:
    """Any number of trees, with all that `solve` takes."""

    parent: NDArray[np.intp]
    tree: NDArray[np.intp]
    source_voltage_v: NDArray[np.float64]
    source_resistance_ohm: NDArray[np.float64]
    segment_resistance_ohm: NDArray[np.float64]
    current_a: NDArray[np.float64]
    power_w: NDArray[np.float64]
    conductance_s: NDArray[np.float64]

    def solve(self) -> Solution:
        return solve(
            Forest.build(self.parent, self.tree, self.source_voltage_v.size),
            source_voltage_v=self.source_voltage_v,
            source_resistance_ohm=self.source_resistance_ohm,
            segment_resistance_ohm=self.segment_resistance_ohm,
            current_a=self.current_a,
            power_w=self.power_w,
            conductance_s=self.conductance_s,
        )

    def loaded(self, factor: float) -> "Case":
        return replace(
            self,
            current_a=self.current_a * factor,
            power_w=self.power_w * factor,
            conductance_s=self.conductance_s * factor,
        )

    def far_from_collapse(self) -> bool:
        """Whether a thousandth more or less load changes nothing in what is feasible: else rounding may."""
        return bool((self.loaded(1.001).solve().feasible == self.loaded(0.999).solve().feasible).all())


def together(cases: list[Case]) -> Case:
    """The trees of several cases in one."""
    points = np.cumsum([0, *(case.parent.size for case in cases)])
    trees = np.cumsum([0, *(case.source_voltage_v.size for case in cases)])

    def joined(name: str) -> NDArray[np.float64]:
        return np.concatenate([getattr(case, name) for case in cases])

    return Case(
        np.concatenate(
            [np.where(c.parent < 0, -1, c.parent + p) for c, p in zip(cases, points, strict=False)]
        ),
        np.concatenate([c.tree + t for c, t in zip(cases, trees, strict=False)]),
        joined("source_voltage_v"),
        joined("source_resistance_ohm"),
        joined("segment_resistance_ohm"),
        joined("current_a"),
        joined("power_w"),
        joined("conductance_s"),
    )


def renumbered(case: Case, order: NDArray[np.intp]) -> Case:
    """The same trees with point `order[k]` in place k."""
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    parent = case.parent[order]
    return Case(
        np.where(parent < 0, -1, place[parent]),
        case.tree[order],
        case.source_voltage_v,
        case.source_resistance_ohm,
        case.segment_resistance_ohm[order],
        case.current_a[order],
        case.power_w[order],
        case.conductance_s[order],
    )


def _amount(most: float) -> st.SearchStrategy[float]:
    return st.one_of(st.just(0.0), st.floats(most / 1000, most))


@st.composite
def single_trees(draw: st.DrawFn, most_points: int = 25) -> Case:
    """One tree of any shape; most of them feasible, some not."""
    size = draw(st.integers(1, most_points))
    chain = draw(st.booleans())
    parent = [k - 1 if chain else draw(st.integers(-1, k - 1)) for k in range(size)]
    heaviness = draw(st.sampled_from([0.1, 1.0, 3.0]))

    def amounts(most: float) -> NDArray[np.float64]:
        return np.array(draw(st.lists(_amount(most), min_size=size, max_size=size)))

    return Case(
        np.array(parent, dtype=np.intp),
        np.zeros(size, dtype=np.intp),
        np.array([draw(st.sampled_from([1.0, 24.0, 70.7]))]),
        np.array([draw(_amount(2.0))]),
        amounts(3.0),
        amounts(0.1 * heaviness),
        amounts(2.0 * heaviness),
        amounts(0.02 * heaviness),
    )
