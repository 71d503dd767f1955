"""Five hundred random trees against ngspice (run now, and recorded) and against a sparse Newton on SciPy."""

import json

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.reference import ngspice as circuit
from tests.reference import sparse_newton
from tests.reference.random_trees import TREES, Tree, random_trees
from tests.reference.trees import first_points, solve_trees
from zones.electrical.radial import NO_STABLE_SOLUTION, VOLTAGE_NOT_ABOVE_ZERO

RELATIVE = 1e-6  # of the source's voltage


@pytest.fixture(scope="module")
def trees() -> list[Tree]:
    return random_trees()


@pytest.fixture(scope="module")
def ours(trees: list[Tree]) -> list[NDArray[np.float64] | None]:
    """The voltages of each tree, None where there is no solution; all solved in one call."""
    solution = solve_trees(trees)
    voltages = np.split(solution.voltage_v, first_points(trees)[1:-1])
    return [found if fits else None for found, fits in zip(voltages, solution.feasible, strict=True)]


@pytest.fixture(scope="module")
def recorded() -> list[list[float] | None]:
    """What ngspice answered when the record was made; None where it found the network has no solution."""
    lines = [json.loads(line) for line in circuit.RECORDED.read_text().splitlines()]
    assert [line["tree"] for line in lines] == list(range(TREES))
    return [None if line["answer"] == "no solution" else line["answer"] for line in lines]


def test_the_trees_are_of_every_sort(trees: list[Tree]) -> None:
    solution = solve_trees(trees)
    assert np.count_nonzero(solution.feasible) > 250
    assert np.count_nonzero(solution.reason == NO_STABLE_SOLUTION) > 100
    assert np.count_nonzero(solution.reason == VOLTAGE_NOT_ABOVE_ZERO) > 10
    assert np.count_nonzero(solution.iterations > 7) > 20, "close to collapse Newton takes more steps"
    assert max(len(tree.parent) for tree in trees) > 90
    assert any(0.0 in tree.segment_resistance_ohm for tree in trees)
    assert {tree.source_resistance_ohm == 0.0 for tree in trees} == {True, False}


def assert_agreement(
    trees: list[Tree], ours: list[NDArray[np.float64] | None], theirs: list[list[float] | None]
) -> None:
    """ngspice's loads stop growing below 0.4 Vs: at and above it the answers are the same, below it ngspice
    only says that ours is not above it."""
    assert len(trees) == len(ours) == len(theirs)
    for number, (tree, mine, spice) in enumerate(zip(trees, ours, theirs, strict=True)):
        carried = mine is not None and mine.min() >= circuit.CLAMP * tree.source_voltage_v
        assert carried == (spice is not None), f"tree {number}"
        if mine is not None and spice is not None:
            np.testing.assert_allclose(
                mine, spice, rtol=0, atol=RELATIVE * tree.source_voltage_v, err_msg=f"tree {number}"
            )


def test_recorded_answers_of_ngspice(
    trees: list[Tree],
    ours: list[NDArray[np.float64] | None],
    recorded: list[list[float] | None],
) -> None:
    assert_agreement(trees, ours, recorded)


def test_ngspice_run_now(ngspice: str, trees: list[Tree], ours: list[NDArray[np.float64] | None]) -> None:
    answers = circuit.solve(ngspice, trees)
    assert None not in answers, "ngspice gave up on a tree"
    own = [
        answer if answer is not None and circuit.carried(tree, answer) else None
        for tree, answer in zip(trees, answers, strict=True)
    ]
    assert_agreement(trees, ours, own)


@pytest.mark.parametrize("part", range(5))
def test_sparse_newton(trees: list[Tree], ours: list[NDArray[np.float64] | None], part: int) -> None:
    for number in range(part, TREES, 5):
        mine, theirs = ours[number], sparse_newton.solve(trees[number])
        assert (mine is None) == (theirs is None), f"tree {number}"
        if mine is not None and theirs is not None:
            np.testing.assert_allclose(
                mine, theirs, rtol=0, atol=1e-9 * trees[number].source_voltage_v, err_msg=f"tree {number}"
            )
