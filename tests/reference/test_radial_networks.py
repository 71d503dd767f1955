"""Radial networks against worked examples, closed forms, and two outside solvers."""

import math

import numpy as np
import pytest

from tests.reference import ngspice as circuit
from tests.reference import sparse_newton
from tests.reference.random_trees import Tree
from tests.reference.trees import solve_trees
from zones.electrical.conductors import FOOT_M, loop_resistance_ohm
from zones.electrical.radial import REASONS

SEGMENT_10_M_OHM = float(loop_resistance_ohm(24, 10.0))


def chain(source_voltage_v: float, segments: list[float], **loads: list[float]) -> Tree:
    none = [0.0] * len(segments)
    return Tree(
        source_voltage_v,
        0.0,
        parent=list(range(-1, len(segments) - 1)),
        segment_resistance_ohm=segments,
        current_a=loads.get("current_a", none),
        power_w=loads.get("power_w", none),
        conductance_s=loads.get("conductance_s", none),
    )


TEN_CURRENTS = chain(24.0, [SEGMENT_10_M_OHM] * 10, current_a=[0.05] * 10)
TEN_POWERS = chain(24.0, [SEGMENT_10_M_OHM] * 10, power_w=[1.2] * 10)
FORK = Tree(24.0, 0.0, [-1, 0, 0], [2.0, 3.0, 4.0], [0.0] * 3, [5.0, 6.0, 2.0], [0.0] * 3)


def test_ten_constant_currents_along_24_awg() -> None:
    # ngspice and a SciPy sparse solve; 1e-6.
    found = solve_trees([TEN_CURRENTS])
    assert found.voltage_v[0] == pytest.approx(23.157849, rel=1e-6)
    assert found.voltage_v[-1] == pytest.approx(19.368171, rel=1e-6)
    assert found.source_current_a[0] == pytest.approx(0.5, rel=1e-12)


def test_ten_constant_powers_along_24_awg() -> None:
    # ngspice and a SciPy sparse solve; 1e-6.
    found = solve_trees([TEN_POWERS])
    assert found.voltage_v[-1] == pytest.approx(18.178302, rel=1e-6)
    assert found.source_current_a[0] == pytest.approx(0.604748, rel=1e-6)


def test_a_fork_of_constant_powers() -> None:
    # ngspice and a SciPy sparse solve; 1e-6.
    found = solve_trees([FORK])
    assert found.voltage_v == pytest.approx([22.839341, 22.021975, 22.483525], rel=1e-6)
    assert found.source_current_a[0] == pytest.approx(0.58033, rel=1e-5)


@pytest.mark.parametrize("tree", [TEN_CURRENTS, TEN_POWERS, FORK])
def test_the_examples_agree_with_both_solvers_run_now(ngspice: str, tree: Tree) -> None:
    ours = solve_trees([tree]).voltage_v
    theirs = circuit.solve(ngspice, [tree])[0]
    assert theirs is not None
    assert ours == pytest.approx(theirs, rel=1e-9)
    assert ours == pytest.approx(sparse_newton.solve(tree), rel=1e-11)


def test_a_fire_alarm_loop_of_16_awg() -> None:
    # Worked fire-alarm example: 100 ft of stranded 16 AWG at 4.99 Ω/1000 ft (NEC Chapter 9 Table 8, 75 °C),
    # 4 A at the end, 24 V: a drop of 3.992 V, 16.6 %. Values from memory; 0.1 %.
    found = solve_trees([chain(24.0, [2 * 100 * 4.99 / 1000], current_a=[4.0])])
    drop = 24.0 - found.voltage_v[0]
    assert drop == pytest.approx(3.992, rel=1e-3)
    assert 100 * drop / 24 == pytest.approx(16.6, abs=0.05)


def test_one_constant_power_is_the_root_of_a_quadratic() -> None:
    # V² − 24 V + 10 · 10 = 0.
    found = solve_trees([chain(24.0, [10.0], power_w=[10.0])])
    assert found.voltage_v[0] == pytest.approx(12 + math.sqrt(44), rel=1e-12)
    assert found.voltage_v[0] == pytest.approx(18.63325, rel=1e-6)


@pytest.mark.parametrize(
    ("share", "carried"), [(0.999_999, True), (1 - 1e-11, True), (1 + 1e-11, False), (1.000_001, False)]
)
def test_no_more_than_a_quarter_of_vs_squared_over_r_is_carried(share: float, carried: bool) -> None:
    # Maximum power transfer: 24² / (4 · 10) = 14.4 W.
    found = solve_trees([chain(24.0, [10.0], power_w=[share * 14.4])])
    assert found.feasible[0] == carried
    assert REASONS[found.reason[0]] == ("solved" if carried else "no stable solution")
    if carried:
        assert found.voltage_v[0] == pytest.approx(12 * (1 + math.sqrt(1 - share)), rel=1e-7)


def test_a_100_w_load_behind_500_ft_of_18_awg() -> None:
    # 70.7 V, Z = V²/P = 50 Ω (audio handbooks), 18 AWG of ASTM B258: 78.6 W in the load, −1.044 dB; 0.5 %.
    line = chain(70.7, [float(loop_resistance_ohm(18, 500 * FOOT_M))], conductance_s=[100 / 70.7**2])
    voltage = solve_trees([line]).voltage_v[0]
    assert voltage**2 * 100 / 70.7**2 == pytest.approx(78.6, rel=0.005)
    assert 20 * math.log10(voltage / 70.7) == pytest.approx(-1.044, abs=0.005)


@pytest.mark.parametrize(("inputs", "level_db"), [(1, -0.506), (10, -4.082)])
def test_a_600_ohm_source_is_bridged_by_inputs_of_10_kohm(inputs: int, level_db: float) -> None:
    # Impedance bridging, 20·log10(Zin / (Zin + Zout)); 0.005 dB.
    tree = Tree(1.0, 600.0, [-1] * inputs, [0.0] * inputs, [0.0] * inputs, [0.0] * inputs, [1e-4] * inputs)
    found = solve_trees([tree])
    assert 20 * np.log10(found.voltage_v) == pytest.approx([level_db] * inputs, abs=0.005)


def test_a_powered_device_of_12_95_w_at_60_m() -> None:
    # IEEE 802.3: a constant 12.95 W behind two paralleled pairs of 24 AWG at 44 V takes 13.420 W; 0.1 %.
    line = chain(44.0, [float(loop_resistance_ohm(24, 60.0, parallel_pairs=2))], power_w=[12.95])
    assert 44.0 * solve_trees([line]).source_current_a[0] == pytest.approx(13.420, rel=1e-3)
