"""Properties of every solved tree, and refused input."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.zones.electrical.radial_cases import Case, renumbered, single_trees, together
from zones.electrical.forest import Forest
from zones.electrical.radial import (
    NO_STABLE_SOLUTION,
    REASONS,
    SOLVED,
    STEP_LIMIT,
    VOLTAGE_NOT_ABOVE_ZERO,
    Solution,
    solve,
)


def solve_chain(
    *,
    segments: list[float],
    source_voltage_v: float = 24.0,
    current_a: list[float] | float = 0.0,
    power_w: list[float] | float = 0.0,
    conductance_s: list[float] | float = 0.0,
) -> Solution:
    return solve(
        Forest.build(np.arange(-1, len(segments) - 1), np.zeros(len(segments), dtype=int)),
        source_voltage_v=source_voltage_v,
        source_resistance_ohm=0.0,
        segment_resistance_ohm=segments,
        current_a=current_a,
        power_w=power_w,
        conductance_s=conductance_s,
    )


# --- properties ---------------------------------------------------------------------------------------------


@given(single_trees(), st.data())
def test_more_load_never_raises_a_voltage(case: Case, data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["current_a", "power_w", "conductance_s"]))
    point = data.draw(st.integers(0, case.parent.size - 1))
    loads = getattr(case, kind).copy()
    loads[point] += data.draw(st.floats(0.001, 1.0))
    before, after = case.solve(), replace(case, **{kind: loads}).solve()
    if after.feasible[0]:
        assert before.feasible[0]
        # At the point of collapse a voltage is good to about 1e-7 of the source's.
        assert (after.voltage_v <= before.voltage_v + 1e-6 * case.source_voltage_v).all()
        assert after.source_current_a[0] >= before.source_current_a[0] * (1 - 1e-6)


@given(single_trees(), st.randoms(use_true_random=False))
def test_the_order_of_points_changes_nothing(case: Case, random: object) -> None:
    assume(case.far_from_collapse())
    order = np.arange(case.parent.size)
    random.shuffle(order)  # type: ignore[attr-defined]
    straight, shuffled = case.solve(), renumbered(case, order).solve()
    assert straight.reason == shuffled.reason
    np.testing.assert_allclose(
        shuffled.voltage_v, straight.voltage_v[order], rtol=0, atol=1e-12 * case.source_voltage_v[0]
    )
    np.testing.assert_allclose(
        shuffled.branch_current_a, straight.branch_current_a[order], rtol=1e-9, atol=1e-12
    )


@given(single_trees())
def test_power_balances_and_both_laws_of_kirchhoff_hold(case: Case) -> None:
    found = case.solve()
    assume(found.feasible[0])
    vs, source_current = case.source_voltage_v[0], found.source_current_a[0]
    given_off = vs * source_current
    taken = (found.voltage_v * found.load_current_a).sum()
    lost = (found.branch_current_a**2 * case.segment_resistance_ohm).sum()
    lost += source_current**2 * case.source_resistance_ohm[0]
    assert given_off == pytest.approx(taken + lost, rel=1e-9, abs=1e-12)
    above = np.where(case.parent < 0, found.terminal_voltage_v[0], found.voltage_v[case.parent])
    np.testing.assert_allclose(
        above - found.voltage_v, found.branch_current_a * case.segment_resistance_ohm, rtol=0, atol=1e-9 * vs
    )
    behind = np.zeros(case.parent.size + 1)
    np.add.at(behind, case.parent, found.branch_current_a)
    np.testing.assert_allclose(
        behind[:-1] + found.load_current_a, found.branch_current_a, rtol=1e-12, atol=1e-15
    )
    assert behind[-1] == pytest.approx(source_current, rel=1e-12, abs=1e-15)
    np.testing.assert_allclose(
        found.load_current_a,
        case.current_a + case.power_w / found.voltage_v + case.conductance_s * found.voltage_v,
        rtol=1e-12,
    )


@given(st.lists(single_trees(), min_size=2, max_size=5))
def test_a_batch_gives_its_members_the_bits_that_they_get_alone(cases: list[Case]) -> None:
    # Enough bystanders to make the batch take arrays, where a tree alone is solved on plain floats.
    bystanders = together([_star(40, watts) for watts in (0.1, 1.0, 400.0)])
    batch = together([bystanders, *cases]).solve()
    first, first_tree = bystanders.parent.size, bystanders.source_voltage_v.size
    for number, case in enumerate(cases):
        alone = case.solve()
        points = slice(first, first + case.parent.size)
        for name in ("voltage_v", "load_current_a", "branch_current_a"):
            np.testing.assert_array_equal(getattr(batch, name)[points], getattr(alone, name), err_msg=name)
        for name in ("feasible", "reason", "iterations", "terminal_voltage_v", "source_current_a"):
            np.testing.assert_array_equal(
                getattr(batch, name)[first_tree + number], getattr(alone, name)[0], err_msg=name
            )
        first = points.stop


def _star(points: int, power_w: float) -> Case:
    ones = np.ones(points)
    return Case(
        parent=np.full(points, -1),
        tree=np.zeros(points, dtype=np.intp),
        source_voltage_v=np.array([24.0]),
        source_resistance_ohm=np.array([0.0]),
        segment_resistance_ohm=ones,
        current_a=0 * ones,
        power_w=power_w * ones,
        conductance_s=0 * ones,
    )


@given(single_trees())
def test_a_tree_without_a_solution_holds_no_number(case: Case) -> None:
    found = case.loaded(1000.0).solve()
    numbers = np.concatenate(
        [
            found.voltage_v,
            found.load_current_a,
            found.branch_current_a,
            found.terminal_voltage_v,
            found.source_current_a,
        ]
    )
    assert np.isfinite(numbers).all() == found.feasible[0]
    assert np.isnan(numbers).all() == (not found.feasible[0])
    assert found.feasible[0] == (found.reason[0] == SOLVED)


@given(single_trees())
def test_no_voltage_is_above_its_parents_or_not_above_zero(case: Case) -> None:
    found = case.solve()
    assume(found.feasible[0])
    above = np.where(case.parent < 0, found.terminal_voltage_v[0], found.voltage_v[case.parent])
    assert (found.voltage_v <= above * (1 + 1e-12)).all()
    assert (found.voltage_v > 0).all()
    zero_length = case.segment_resistance_ohm == 0
    np.testing.assert_array_equal(found.voltage_v[zero_length], above[zero_length])


# --- single cases -------------------------------------------------------------------------------------------


def test_a_chain_as_deep_as_it_may_be_agrees_with_its_closed_form() -> None:
    # n equal currents i behind n equal segments r: the drop at the end is r·i·n(n+1)/2.
    n = 100_000
    found = solve_chain(segments=[1e-5] * n, current_a=1e-5)
    assert found.voltage_v[-1] == pytest.approx(24.0 - 1e-10 * n * (n + 1) / 2, rel=1e-11)


def test_a_deep_chain_of_constant_powers_balances() -> None:
    n = 100_000
    found = solve_chain(segments=[1e-4] * n, power_w=1e-5)
    assert found.feasible[0]
    lost = (found.branch_current_a**2 * 1e-4).sum()
    assert 24.0 * found.source_current_a[0] == pytest.approx(lost + 1e-5 * n, rel=1e-9)


def test_a_ladder_of_resistances_agrees_with_its_continued_fraction() -> None:
    found = solve_chain(segments=[1.0, 2.0, 3.0], conductance_s=[1 / 10, 1 / 20, 1 / 30])
    behind_third = 3.0 + 30.0
    behind_second = 2.0 + 1 / (1 / 20 + 1 / behind_third)
    total = 1.0 + 1 / (1 / 10 + 1 / behind_second)
    assert found.source_current_a[0] == pytest.approx(24.0 / total, rel=1e-14)
    assert found.iterations[0] == 1


def test_constant_currents_and_resistances_take_one_step() -> None:
    assert solve_chain(segments=[1.0, 1.0], current_a=0.1, conductance_s=0.01).iterations[0] == 1


def test_currents_that_use_up_the_voltage_leave_none_above_zero() -> None:
    for current in (24.0, 25.0):
        found = solve_chain(segments=[1.0], current_a=current)
        assert REASONS[found.reason[0]] == "voltage not above zero"
    assert solve_chain(segments=[1.0], current_a=23.999).reason[0] == SOLVED


def test_no_stable_solution_is_the_reason_only_where_the_currents_alone_have_one() -> None:
    assert solve_chain(segments=[1.0], current_a=1.0, power_w=1000.0).reason[0] == NO_STABLE_SOLUTION
    assert solve_chain(segments=[1.0], current_a=30.0, power_w=1.0).reason[0] == VOLTAGE_NOT_ABOVE_ZERO


def test_at_the_point_of_collapse_the_answer_still_balances() -> None:
    # Both solutions meet at 12 V. Rounding may call it either way, but not make numbers up.
    for segment in (10.0, 3.0, 0.7, 1 / 3):
        power = 24.0**2 / (4 * segment)
        for share in (1 - 1e-9, 1 - 1e-12, 1 - 1e-14, 1.0):
            found = solve_chain(segments=[segment], power_w=power * share)
            if found.feasible[0]:
                current = found.source_current_a[0]
                assert 24.0 * current == pytest.approx(power * share + current**2 * segment, rel=1e-9)
                assert found.voltage_v[0] == pytest.approx(12.0 * (1 + (1 - share) ** 0.5), rel=1e-7)
            else:
                assert share > 1 - 1e-13
        assert not solve_chain(segments=[segment], power_w=power * (1 + 1e-9)).feasible[0]


def test_trees_driven_to_their_point_of_collapse_balance_all_the_way() -> None:
    # The loads of 400 random trees, bisected all at once to the last bit between carried and not.
    draw = np.random.default_rng(7)
    trees, points = 400, 12
    above = np.empty((trees, points), dtype=int)
    for k in range(points):
        off = (draw.random(trees) < 0.3) & (k > 0)
        above[:, k] = np.where(off, draw.integers(-1, max(k, 1), trees), k - 1)
    parent = np.where(above < 0, -1, above + np.arange(trees)[:, None] * points).ravel()
    tree = np.repeat(np.arange(trees), points)
    forest = Forest.build(parent, tree, trees)

    def some(share: float, least: float, most: float) -> NDArray[np.float64]:
        present = draw.random(tree.size) < share
        return np.where(present, draw.uniform(least, most, tree.size), 0.0)

    segment, conductance = some(0.95, 0.05, 3.0), some(0.3, 0.0, 0.01)
    current, power = some(0.3, 0.0, 0.05), some(0.6, 0.1, 3.0)
    internal = draw.uniform(0, 1, trees)
    carried, not_carried = np.zeros(trees), np.full(trees, 1000.0)
    for _ in range(64):
        factor = (carried + not_carried) / 2
        found = solve(
            forest,
            source_voltage_v=24.0,
            source_resistance_ohm=internal,
            segment_resistance_ohm=segment,
            current_a=current * factor[tree],
            power_w=power * factor[tree],
            conductance_s=conductance * factor[tree],
        )
        used = found.voltage_v * found.load_current_a + found.branch_current_a**2 * segment
        balance = np.bincount(tree, used, trees) + found.source_current_a**2 * internal
        fits = found.feasible
        np.testing.assert_allclose(balance[fits], 24.0 * found.source_current_a[fits], rtol=1e-9)
        assert (found.voltage_v[fits[tree]] > 0).all()
        assert found.iterations.max() < STEP_LIMIT / 2
        carried = np.where(fits, factor, carried)
        not_carried = np.where(fits, not_carried, factor)
    assert (carried > 0).all()
    assert (not_carried - carried <= 1e-15 * carried).all()


def test_a_source_without_voltage_is_a_result_not_an_error() -> None:
    for loads in ({"current_a": 0.0}, {"power_w": 1.0}, {"current_a": 1.0}):
        found = solve_chain(segments=[1.0], source_voltage_v=0.0, **loads)
        assert found.reason[0] == VOLTAGE_NOT_ABOVE_ZERO


def test_a_dead_short_through_resistances_keeps_its_tiny_voltage() -> None:
    found = solve_chain(segments=[1.0], conductance_s=1e20)
    assert found.voltage_v[0] == pytest.approx(24e-20, rel=1e-12)


def test_the_internal_resistance_couples_the_runs_of_a_source() -> None:
    forest = Forest.build([-1, -1], [0, 0])
    found = solve(
        forest,
        source_voltage_v=24.0,
        source_resistance_ohm=1.0,
        segment_resistance_ohm=[0.0, 2.0],
        current_a=[1.0, 2.0],
        power_w=0.0,
        conductance_s=0.0,
    )
    assert found.terminal_voltage_v[0] == 21.0
    assert found.voltage_v.tolist() == [21.0, 17.0]
    assert found.source_current_a[0] == 3.0


def test_a_tree_without_points_rests_at_its_sources_voltage() -> None:
    found = solve(
        Forest.build([-1], [1], 3),
        source_voltage_v=[24.0, 24.0, 48.0],
        source_resistance_ohm=1.0,
        segment_resistance_ohm=1.0,
        current_a=1.0,
        power_w=0.0,
        conductance_s=0.0,
    )
    assert found.feasible.all()
    assert found.terminal_voltage_v.tolist() == [24.0, 23.0, 48.0]
    assert found.source_current_a.tolist() == [0.0, 1.0, 0.0]


def test_an_empty_forest_has_an_empty_solution() -> None:
    found = solve(
        Forest.build([], []),
        source_voltage_v=[],
        source_resistance_ohm=[],
        segment_resistance_ohm=[],
        current_a=[],
        power_w=[],
        conductance_s=[],
    )
    assert found.feasible.size == found.voltage_v.size == 0


@pytest.mark.parametrize("wrong", [-1.0, float("nan"), float("inf"), 1e101])
@pytest.mark.parametrize(
    "name",
    [
        "source_voltage_v",
        "source_resistance_ohm",
        "segment_resistance_ohm",
        "current_a",
        "power_w",
        "conductance_s",
    ],
)
def test_an_impossible_quantity_is_refused_by_name(name: str, wrong: float) -> None:
    quantities: dict[str, object] = {
        "source_voltage_v": 24.0,
        "source_resistance_ohm": 0.0,
        "segment_resistance_ohm": 1.0,
        "current_a": 0.0,
        "power_w": 0.0,
        "conductance_s": 0.0,
        name: [1.0, wrong],
    }
    with pytest.raises(ValueError, match=rf"{name}\[1\] is .*: expected"):
        solve(Forest.build([-1, -1], [0, 1]), **quantities)  # type: ignore[arg-type]


def test_an_array_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match=r"power_w has shape \(3,\): expected \(2,\) or one number"):
        solve_chain(segments=[1.0, 1.0], power_w=[1.0, 1.0, 1.0])
