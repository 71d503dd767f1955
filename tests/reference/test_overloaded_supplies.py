"""Supplies that cannot serve all that they feed, each case worked by hand.

Constant currents: Ohm's and Kirchhoff's laws. A load of P watts behind R ohms at 24 V has
V = 12 + √(144 − P·R), and none where P·R > 144 (quadratic; maximum power transfer).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import CODES, MEASURED, figures
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.dc_bands import BandSolution, solve_bands
from zones.electrical.estimates import Estimates
from zones.electrical.evaluate import Evaluation
from zones.electrical.verdicts import Verdict

LOW, LIKELY, HIGH = range(3)
OHM_PER_M = 2 * 4 / (58 * math.pi * (0.127 * 92 ** ((36 - 24) / 39)) ** 2)
"""Loop of 24 AWG at 20 °C [Ω/m]: ASTM B258 diameter, IEC 60028 resistivity."""


@dataclass
class Supply:
    """24 V behind ``ohms``, and runs of one load each: (ohms of its cable, amps, watts), in one estimate or
    in three."""

    ohms: float
    runs: list[tuple[Any, Any, Any]] = field(default_factory=list)

    def solve(self, volts: float = 24.0) -> BandSolution:
        count = len(self.runs)
        ohms, amps, watts = (
            np.array([np.broadcast_to(run[k], (3,)) for run in self.runs], float).T for k in range(3)
        )
        return solve_bands(
            np.full(count, -1),
            np.arange(count),
            np.zeros(count, np.int64),
            np.array([volts]),
            np.array([self.ohms]),
            ohms,
            amps,
            watts,
            24.0,
            run=np.arange(count),
        )


def test_a_run_that_has_no_voltage_alone_is_left_out_and_the_rest_stands() -> None:
    """0.5 A over 60 Ω would drop 30 V. The supply delivers 1.5 A: 24 − 1.5·1 = 22.5 V at its terminals, 2 V
    less at the load of the other run."""
    found = Supply(1.0, [(2.0, 1.0, 0.0), (60.0, 0.5, 0.0)]).solve()
    assert found.overloaded.tolist() == [[False, True]] * 3
    assert found.voltage_v[:, 0] == pytest.approx([20.5] * 3)
    assert np.isnan(found.voltage_v[:, 1]).all()
    assert found.branch_a.tolist() == [pytest.approx([1.0, 0.5])] * 3
    assert found.source_a.ravel() == pytest.approx([1.5] * 3)
    for flags in (found.source_overloaded, found.voltage_bound, found.branch_bound, found.source_bound):
        assert not flags.any(), "constant currents are known exactly"


def test_of_constant_currents_only_the_run_at_or_below_zero_is_overloaded() -> None:
    """Alone both have a voltage: 24 − 2 and 24 − 13 V. Together 3 A leave 24 − 3·4 = 12 V at the
    terminals: 10 V at one load, −1 V at the other."""
    found = Supply(4.0, [(1.0, 2.0, 0.0), (13.0, 1.0, 0.0)]).solve()
    assert found.overloaded.tolist() == [[False, True]] * 3
    assert found.voltage_v[LIKELY, 0] == pytest.approx(10.0)
    assert found.source_a[LIKELY, 0] == pytest.approx(3.0)
    assert not found.source_overloaded.any()
    # 12 V at the terminals and 12 V of drop: at zero, and so overloaded
    at_zero = Supply(4.0, [(1.0, 2.0, 0.0), (12.0, 1.0, 0.0)]).solve()
    assert at_zero.overloaded[LIKELY].tolist() == [False, True]


def test_the_rest_of_constant_currents_stands_beside_what_was_left_out_before_it() -> None:
    """0.5 A over 60 Ω has no voltage alone. With it 3.5 A leave 24 − 4·3.5 = 10 V at the terminals: 8 V at
    one of the others, −3 V at the third."""
    found = Supply(4.0, [(60.0, 0.5, 0.0), (1.0, 2.0, 0.0), (13.0, 1.0, 0.0)]).solve()
    assert found.overloaded.tolist() == [[True, False, True]] * 3
    assert found.voltage_v[LIKELY, 1] == pytest.approx(8.0)
    assert found.source_a.ravel() == pytest.approx([3.5] * 3)
    assert not found.source_bound.any()


def test_what_was_left_out_may_leave_nothing_at_the_terminals() -> None:
    """0.5 A over 60 Ω has no voltage alone, and drops 25 of the 24 V in the supply's 50 Ω."""
    found = Supply(50.0, [(60.0, 0.5, 0.0), (1.0, 0.1, 0.0)]).solve()
    assert found.overloaded.all()
    assert found.source_a.ravel() == pytest.approx([0.6] * 3)


def test_each_estimate_is_judged_by_itself() -> None:
    """Of 0.2, 0.3 and 0.5 A over 60 Ω, only the last has no voltage; its current is known all the same."""
    found = Supply(1.0, [(2.0, [0.9, 1.0, 1.1], 0.0), (60.0, [0.2, 0.3, 0.5], 0.0)]).solve()
    assert found.overloaded[:, 1].tolist() == [False, False, True]
    assert found.voltage_v[: LIKELY + 1, 1] == pytest.approx([24 - 1.1 - 12.0, 24 - 1.3 - 18.0])
    assert found.voltage_v[:, 0] == pytest.approx([24 - 1.1 - 1.8, 24 - 1.3 - 2.0, 24 - 1.6 - 2.2])
    assert found.source_a.ravel() == pytest.approx([1.1, 1.3, 1.6])
    assert not found.source_bound.any()


def test_beside_a_left_out_load_in_watts_voltages_are_bounds() -> None:
    """20 W behind 10 Ω: 200 > 144. It asks for 20/24 A at the source voltage."""
    found = Supply(1.0, [(2.0, 1.0, 0.0), (10.0, 0.0, 20.0)]).solve()
    asked = 20 / 24
    assert found.overloaded.tolist() == [[False, True]] * 3
    assert found.voltage_v[LIKELY, 0] == pytest.approx(24 - (1 + asked) - 2)
    assert found.source_a[LIKELY, 0] == pytest.approx(1 + asked)
    assert found.source_bound.all()
    assert found.voltage_bound.tolist() == [[True, False]] * 3
    assert found.branch_bound.tolist() == [[False, True]] * 3, "1 A is 1 A at any voltage"


def test_beside_a_left_out_run_of_constant_currents_loads_in_watts_are_known() -> None:
    """23.5 V are left of 24 V, and 5 W behind 3 Ω have V² − 23.5·V + 15 = 0."""
    found = Supply(1.0, [(2.0, 0.0, 5.0), (60.0, 0.5, 0.0)]).solve()
    volts = (23.5 + math.sqrt(23.5**2 - 60)) / 2
    assert found.voltage_v[LIKELY, 0] == pytest.approx(volts)
    assert found.branch_a[LIKELY] == pytest.approx([5 / volts, 0.5])
    assert not found.branch_bound.any()
    assert not found.source_bound.any()


def test_a_left_out_load_in_watts_draws_no_less_than_in_the_kinder_estimate() -> None:
    """Behind 10 Ω: 10 W at 12 + √44 = 18.633 V; 14 W at 12 + √4 = 14 V, so 1 A; 20 W nowhere: asked for
    0.833 A, at least the 1 A of the likely estimate."""
    found = Supply(0.0, [(10.0, 0.0, [10.0, 14.0, 20.0])]).solve()
    assert found.voltage_v[:HIGH, 0] == pytest.approx([12 + math.sqrt(44), 14.0])
    assert found.source_a.ravel() == pytest.approx([10 / (12 + math.sqrt(44)), 1.0, 1.0])
    assert found.overloaded[:, 0].tolist() == [False, False, True]
    assert found.source_bound[:, 0].tolist() == [False, False, True]
    # 26 W ask for more than that
    found = Supply(0.0, [(10.0, 0.0, [10.0, 14.0, 26.0])]).solve()
    assert found.source_a[HIGH, 0] == pytest.approx(26 / 24)
    # the likely estimate is no better than the low one
    found = Supply(0.0, [(10.0, 0.0, [14.0, 20.0, 20.0])]).solve()
    assert found.source_a.ravel() == pytest.approx([1.0] * 3)


def test_constant_currents_beside_a_left_out_load_in_watts_count_once() -> None:
    """0.2 A and 12 W behind 10 Ω: V² − 22·V + 120 = 0, 12 V and so 1 A. 20 W have no voltage: at least that
    1 A, and 0.2 A."""
    found = Supply(0.0, [(10.0, 0.2, [12.0, 12.0, 20.0])]).solve()
    assert found.voltage_v[LIKELY, 0] == pytest.approx(12.0)
    assert found.source_a.ravel() == pytest.approx([1.2] * 3)


def test_a_load_in_watts_beside_a_left_out_one_may_draw_more_than_its_number() -> None:
    """20 W have no voltage behind 10 Ω, and ask for 20/24 A. Behind what that leaves, u = 24 − 20/24 V, 5 W
    over 1 + 2 Ω have V² − u·V + 15 = 0; a lower voltage than that draws more."""
    found = Supply(1.0, [(2.0, 0.0, 5.0), (10.0, 0.0, 20.0)]).solve()
    left = 24 - 20 / 24
    assert found.branch_a[LIKELY, 0] == pytest.approx(5 / ((left + math.sqrt(left**2 - 60)) / 2))
    assert found.branch_bound.all()


def test_loads_in_watts_without_a_solution_together_overload_the_supply() -> None:
    """Each of the two has a voltage alone: 20 W·0.1 Ω is far below 144. Behind 5 Ω no more than 24²/20 = 28.8
    W can be had, and they ask for 40."""
    found = Supply(5.0, [(0.1, 0.0, 20.0), (0.1, 0.0, 20.0), (2.0, 0.5, 0.0)]).solve()
    assert found.source_overloaded.all()
    assert np.isnan(found.source_a).all()
    assert not found.overloaded.any(), "no run is to blame by itself"
    assert np.isnan(found.voltage_v).all()
    assert found.voltage_bound.all()
    assert found.branch_a[LIKELY] == pytest.approx([20 / 24, 20 / 24, 0.5])
    assert found.branch_bound.tolist() == [[True, True, False]] * 3


def test_a_tree_with_a_solution_is_not_touched_by_another_without() -> None:
    lone = Supply(1.0, [(2.0, 1.0, 0.0)]).solve()
    assert lone.voltage_v.ravel() == pytest.approx([21.0] * 3)
    assert not lone.overloaded.any()


def test_where_the_source_voltage_is_not_known_nothing_is_said_to_be_overloaded() -> None:
    found = Supply(1.0, [(2.0, 1.0, 0.0), (60.0, 0.5, 0.0)]).solve(volts=NAN)
    assert np.isnan(found.voltage_v).all()
    assert not found.overloaded.any()
    assert found.source_a.ravel() == pytest.approx([1.5] * 3)
    found = Supply(5.0, [(0.1, 0.0, 20.0), (0.1, 0.0, 20.0)]).solve(volts=NAN)
    assert not found.source_overloaded.any()
    assert not found.voltage_bound.any(), "there is no voltage that could be harsher"
    assert found.source_bound.all()
    assert found.source_a.ravel() == pytest.approx([40 / 24] * 3)


# --- as figures -----------------------------------------------------------------------------------------


def of(found: Evaluation, code: str, subject: int = 0) -> tuple[Estimates, Verdict]:
    at = (found.rule == CODES.index(code)) & (found.subject_id == subject + 1000)
    (row,) = np.flatnonzero(at)
    (estimates,) = found.estimates(np.array([row]))
    return estimates, Verdict(found.verdict[row])


def plant(*runs: tuple[float, float, float], **supply: Any) -> ToyPlant:
    """One supply with runs of one measured load each: (metres of 24 AWG, amps, watts)."""
    toy = ToyPlant()
    source = toy.add("supplies", **supply)
    for metres, amps, watts in runs:
        own = {"full_output_current_a": NAN, "idle_current_a": NAN, "idle_power_w": 1.0}
        drawn: dict[str, Any] = {} if watts else {"speech_current_a": amps}
        model = toy.model(**(own | {"full_output_power_w": 2 * watts} if watts else {}))
        toy.chain(
            toy.run(supply_index=source),
            1,
            model_index=model,
            cable_index=toy.cable(),
            length_m=metres,
            length_basis=MEASURED,
            current_basis=MEASURED,
            **drawn,
        )
    return toy


def test_an_overloaded_run_is_past_and_its_supply_is_not_said_to_be_in_order() -> None:
    """23.5 W over 40 m, a loop of 6.74 Ω: 158 > 144. It asks for 0.98 A of the 1.60 A, and draws more."""
    assert 23.5 * 0.95 * OHM_PER_M * 40 * 0.98 > 144, "in the kindest estimate as well"
    found = figures(plant((40.0, 0.0, 23.5)))
    voltage, verdict = of(found, "run_voltage")
    assert verdict is Verdict.PAST
    assert voltage.overloaded == ["low", "likely", "high"]
    assert [one.value for one in voltage] == [None] * 3
    current, verdict = of(found, "supply_current")
    assert verdict is Verdict.CANNOT_TELL
    assert current.likely.value == pytest.approx(23.5 / 24)
    assert current.bounds == ["low", "likely", "high"]
    conductor, verdict = of(found, "conductor_current")
    assert verdict is Verdict.CANNOT_TELL
    assert conductor.likely.value == pytest.approx(23.5 / 24)


def test_a_neighbour_of_an_overloaded_run_keeps_its_own_voltage() -> None:
    """0.1 A over 10 m keep 23.8 V, which the overloaded run beside it does not make 0 V. What that one draws
    is not known, so the neighbour is not said to be in order either."""
    found = figures(plant((40.0, 0.0, 23.5), (10.0, 0.1, 0.0)))
    assert of(found, "run_voltage")[1] is Verdict.PAST
    voltage, verdict = of(found, "run_voltage", 1)
    assert voltage.likely.value == pytest.approx(24 - 10 * OHM_PER_M * 0.1, rel=1e-5)
    assert voltage.overloaded == []
    assert voltage.likely.detail == 1001, "its own speaker, though the voltage is a bound"
    assert verdict is Verdict.CANNOT_TELL
    conductor, verdict = of(found, "conductor_current", 1)
    assert conductor.likely.value == pytest.approx(0.1)
    assert verdict is Verdict.WITHIN


def test_beside_an_overloaded_run_of_constant_currents_all_is_known() -> None:
    """0.6 A over 250 m would drop 25 V; in the kinder two estimates, 0.57 A and 245 m, 23.5 V."""
    assert OHM_PER_M * 250 * 0.6 > 24 > OHM_PER_M * 245 * 0.57
    found = figures(plant((250.0, 0.6, 0.0), (10.0, 0.1, 0.0), rated_current_a=1.0))
    voltage, verdict = of(found, "run_voltage")
    assert verdict is Verdict.PAST, "of the low estimate 0.5 V are left, of a minimum of 18"
    assert voltage.overloaded == ["likely", "high"]
    assert voltage.low.value == pytest.approx(24 - OHM_PER_M * 245 * 0.57, rel=1e-4)
    assert of(found, "run_voltage", 1)[1] is Verdict.WITHIN
    current, verdict = of(found, "supply_current")
    assert [one.value for one in current] == pytest.approx([0.7 * 0.95, 0.7, 0.7 * 1.05])
    assert current.bounds == []
    assert verdict is Verdict.NEAR  # 0.735 of 0.8 A


def test_a_supply_that_its_loads_in_watts_overload_together_is_past() -> None:
    """24 V at no load and 19 V at 1 A: 5 Ω, so no more than 28.8 W can be had, of 38 in the kindest
    estimate."""
    found = figures(plant((1.0, 0.0, 20.0), (1.0, 0.0, 20.0), rated_current_a=1.0, rated_load_voltage_v=19.0))
    current, verdict = of(found, "supply_current")
    assert verdict is Verdict.PAST
    assert current.overloaded == ["low", "likely", "high"]
    assert [one.value for one in current] == [None] * 3
    for run in (0, 1):
        voltage, verdict = of(found, "run_voltage", run)
        assert verdict is Verdict.CANNOT_TELL
        assert voltage.overloaded == []
        assert (voltage.likely.value, voltage.likely.limit) == (None, 18.0)


def test_an_overloaded_supply_has_no_number_that_could_be_a_bound() -> None:
    """The run of 23.5 W is left out, and leaves 24 − 5 Ω × 0.98 A = 19.1 V for two loads of 20 W: behind 5 Ω
    no more than 19.1²/20 = 18.2 W can be had."""
    runs = (40.0, 0.0, 23.5), (1.0, 0.0, 20.0), (1.0, 0.0, 20.0)
    current, verdict = of(
        figures(plant(*runs, rated_current_a=1.0, rated_load_voltage_v=19.0)), "supply_current"
    )
    assert current.overloaded == ["low", "likely", "high"]
    assert current.bounds == []
    assert verdict is Verdict.PAST
