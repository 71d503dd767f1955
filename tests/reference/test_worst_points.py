"""Each estimate of a figure is decided by a speaker or segment that exists, with its own limit.

Ohm's law by hand: a chain fed with 24 V, its loop resistance of each segment 2·R′·length with R′ of 24 AWG
solid copper at 20 °C (ASTM B258 diameter, IEC 60028 resistivity).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.zones.electrical.judged import CODES, GUESSED, MEASURED, RULES, figures
from tests.zones.electrical.plants import ToyPlant
from zones.electrical.estimates import Estimates, estimates_of
from zones.electrical.evaluate import Evaluation
from zones.electrical.verdicts import Verdict, judge

DIAMETER_MM = 0.127 * 92 ** ((36 - 24) / 39)
OHM_PER_M = 4 / (58 * math.pi * DIAMETER_MM**2)


def of(found: Evaluation, code: str) -> tuple[Estimates, Verdict]:
    (row,) = np.flatnonzero(found.rule == CODES.index(code))
    (estimates,) = found.estimates(np.array([row]))
    return estimates, Verdict(found.verdict[row])


def two_branches(far_minimum_v: float, far_m: float) -> ToyPlant:
    """A speaker behind 20 m that is measured, with a minimum of 20 V, and one behind a guessed length of
    another branch, with a minimum of its own; 0.4 A each, measured."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=5.0))
    for minimum, length, basis in ((20.0, 20.0, MEASURED), (far_minimum_v, far_m, GUESSED)):
        toy.chain(
            run,
            1,
            model_index=toy.model(minimum_voltage_v=minimum),
            cable_index=toy.cable(),
            length_m=length,
            length_basis=basis,
            current_basis=MEASURED,
            speech_current_a=0.4,
        )
    return toy


def by_hand_v(length_m: float, amps: float) -> float:
    return 24 - 2 * OHM_PER_M * length_m * amps


def test_each_estimate_is_a_voltage_that_one_speaker_has() -> None:
    """Likely the near one has less to spare: 22.65 V over its 20, where the far one has 18.74 V over its
    16. A guessed length is up to 1.5 times as long: with 1.05 of 0.4 A the far one keeps 15.72 V, past its
    own 16 V and far from any voltage of the near one."""
    found = figures(two_branches(16.0, 78.0))
    estimates, verdict = of(found, "run_voltage")
    near, far = 1000, 1001
    likely_near, likely_far = by_hand_v(20, 0.4), by_hand_v(78, 0.4)
    assert likely_near - 20 < likely_far - 16
    # kindest: measured length and current, 2 % and 5 % less; harshest: 1.5 of the guess, 5 % more
    assert [(one.limit, one.detail) for one in estimates] == [(20.0, near), (20.0, near), (16.0, far)]
    assert [one.value for one in estimates] == pytest.approx(
        [by_hand_v(20 * 0.98, 0.4 * 0.95), likely_near, by_hand_v(78 * 1.5, 0.4 * 1.05)], rel=1e-4
    )
    assert verdict is Verdict.CANNOT_TELL


def test_equal_speakers_keep_the_place_of_the_likely_estimate() -> None:
    """Two branches alike: whichever rounding favours, no estimate is said to be elsewhere."""
    toy = two_branches(20.0, 20.0)
    toy.rows["points"][1]["length_basis"] = MEASURED
    estimates, _ = of(figures(toy), "run_voltage")
    assert {one.detail for one in estimates} == {1000}


def test_a_conductor_is_judged_by_the_rating_of_its_own_segment_in_each_estimate() -> None:
    """0.5 A measured against 1 A is 0.50 of it, and 0.2 A guessed against 0.45 A is 0.44; at 1.6 times a
    guess 0.32 A is 0.71 of 0.45, where 0.525 A is 0.525 of 1."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=5.0))
    for amps, basis, rating in ((0.5, MEASURED, 1.0), (0.2, GUESSED, 0.45)):
        toy.chain(
            run,
            1,
            model_index=toy.model(),
            cable_index=toy.cable(conductor_rating_a=rating),
            length_m=1.0,
            length_basis=MEASURED,
            current_basis=basis,
            speech_current_a=amps,
        )
    estimates, verdict = of(figures(toy), "conductor_current")
    assert [(one.limit, one.detail) for one in estimates] == [(1.0, 1000), (1.0, 1000), (0.45, 1001)]
    assert [one.value for one in estimates] == pytest.approx([0.5 * 0.95, 0.5, 0.2 * 1.6])
    assert verdict is Verdict.WITHIN


def test_an_estimate_that_nothing_decides_is_not_said_to_be_where_the_likely_one_is() -> None:
    """A high estimate without a voltage is nowhere in particular; columns that the release before did not
    write are those of the likely estimate."""
    written = estimates_of(19.0, 18.5, None, 18.0, 18.0, 18.0, 3, 3, None, 4, 0)
    assert [(one.limit, one.detail) for one in written] == [(18.0, 3), (18.0, 3), (18.0, None)]
    assert written.overloaded == ["high"]
    before = estimates_of(19.0, 18.5, 17.0, None, 18.0, None, None, 3, None, None, None)
    assert [(one.limit, one.detail) for one in before] == [(18.0, 3)] * 3


def test_verdicts_hold_each_estimate_against_its_own_limit() -> None:
    rule = RULES[CODES.index("run_voltage")]
    limits = [[18.0], [18.0], [16.0]]
    assert judge([21.0], [20.5], [17.9], limits, rule) == [Verdict.WITHIN]  # 17.9 is a tenth above 16
    assert judge([21.0], [20.5], [15.9], limits, rule) == [Verdict.CANNOT_TELL]
    assert judge([21.0], [17.9], [15.9], limits, rule) == [Verdict.PROBABLY_PAST]
    assert judge([17.5], [17.9], [15.9], [[17.6], [18.0], [16.0]], rule) == [Verdict.PAST]
