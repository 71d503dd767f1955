"""When a reading disagrees with the record, worked by hand.

Ohm's law along a chain: the drop to the last of n speakers, all a metres apart, is R' · a · I · (n + … + 1).
R' of a 24 AWG pair, out and back: 2 · (1/58) / (π/4 · 0.5106²) = 0.1684 Ω/m at 20 °C (ASTM B258, IEC 60028).
What a reading is good to is common practice, no source: 5 % of a current, 10 % of one during speech, 1 % of a
voltage.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.zones.electrical.judged import (
    DRAWING,
    GUESSED,
    MARKED,
    chain_plant,
    figure,
    figures,
    has,
)
from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.verdicts import Verdict

DIAMETER_MM = 25.4 * 0.005 * 92.0 ** ((36 - 24) / 39)
PAIR_OHM_PER_M = 2 * (1 / 58) / (math.pi / 4 * DIAMETER_MM**2)
VOLTAGE = p.ReadingKind.END_VOLTAGE


def outside(toy: ToyPlant, code: str = "reading_disagrees") -> float:
    return figure(figures(toy), code)[1]


def test_how_far_outside_is_in_amperes_beyond_the_reading_s_own_error() -> None:
    # four marked speakers of 50 mA: 0.20 A, ± 15 %: 0.17 to 0.23 A
    toy = chain_plant(4, current_basis=MARKED)
    toy.add("readings", reading_id=31, step=3, value=0.30)  # during speech: ± 10 %, 0.03 A
    low, likely, high, limit, verdict = figure(figures(toy), "reading_disagrees")
    assert (low, likely, high) == pytest.approx((0.04, 0.04, 0.04))  # 0.30 − 0.03 − 0.23
    assert (limit, verdict) == (0.0, Verdict.PAST)
    toy = chain_plant(4, current_basis=MARKED)
    toy.add("readings", step=3, value=0.10)  # ± 0.01 A
    assert outside(toy) == pytest.approx(0.06)  # 0.17 − 0.10 − 0.01


@pytest.mark.parametrize(
    ("value", "error", "beyond"),
    [
        (0.25, math.nan, 0.0),  # 0.25 − 0.025 is below 0.23
        (0.25, 0.02, 0.015),  # 0.25 − 0.005 − 0.23
        (0.23, 0.0, 0.0),
        (0.231, 0.0, 0.001),
    ],
)
def test_the_error_that_the_instrument_states_goes_before_the_usual_one(
    value: float, error: float, beyond: float
) -> None:
    toy = chain_plant(4, current_basis=MARKED)
    toy.add("readings", step=3, value=value, instrument_error=error)
    assert outside(toy) == pytest.approx(beyond, abs=1e-12)


def test_an_idle_current_is_read_to_five_percent() -> None:
    # four marked idle currents of 15 mA: 0.060 A, ± 15 %: 0.051 to 0.069 A
    toy = chain_plant(4, current_basis=MARKED, idle_current_a=0.015)
    toy.add("readings", step=3, value=0.08, state=p.State.IDLE)
    assert outside(toy) == pytest.approx(0.08 - 0.004 - 0.069)


def test_a_reading_inside_is_used_however_large_the_factor_it_asks_for() -> None:
    """Twenty measured speakers draw 1.00 A ± 5 %, a drawn one 0.05 A (0.04 to 0.065): 0.99 to 1.115 A.
    A reading of exactly 1.00 A is inside. It would leave nothing for the drawn one, which stops at 0.04 A."""
    toy = chain_plant(21)
    toy.rows["points"][20]["current_basis"] = DRAWING
    toy.add("readings", step=3, value=1.00, instrument_error=0.0)
    found = figures(toy)
    assert figure(found, "reading_disagrees")[1] == 0.0
    assert figure(found, "supply_current")[1] == pytest.approx(1.04)


def test_a_reading_outside_is_never_used() -> None:
    # two drawn speakers: 0.08 to 0.13 A; 0.15 A at ± 10 % is outside by 0.15 − 0.015 − 0.13
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", step=3, value=0.15)
    found = figures(toy)
    assert figure(found, "reading_disagrees")[1] == pytest.approx(0.005)
    assert figure(found, "supply_current")[:3] == pytest.approx((0.08, 0.10, 0.13))


# --- the source -----------------------------------------------------------------------------------------


def fed_by(volts: float, **supply: float) -> ToyPlant:
    """Four measured speakers of 50 mA, measured 10 m apart; and what a meter shows at the last one."""
    toy = chain_plant(4)
    toy.rows["supplies"][0] |= supply
    toy.add("readings", step=3, kind=VOLTAGE, point_index=3, value=volts)
    return toy


# 10 m × (0.20 + 0.15 + 0.10 + 0.05) A; lengths ± 2 %, currents ± 5 %
DROP = PAIR_OHM_PER_M * 10 * 0.5
KINDEST, HARSHEST = DROP * 0.98 * 0.95, DROP * 1.02 * 1.05
SUPPLY = {"no_load_voltage_v": 24.0, "rated_load_voltage_v": 23.0, "rated_current_a": 2.0}
"""(24 − 23) / 2 = 0.5 Ω inside."""


@pytest.mark.parametrize(
    ("volts", "beyond"),
    [
        (24.5, 0.0),  # a healthy supply at the top of its 5 %: 25.2 V without load, less the drop
        (24.7, 24.7 * 0.99 - (25.2 - KINDEST)),
        (21.6, 0.0),  # at the bottom: 22.8 V, less 0.5 Ω × 0.21 A inside it, less the drop
        (21.5, 22.8 - 0.5 * 0.21 - HARSHEST - 21.5 * 1.01),
    ],
)
def test_the_source_runs_from_the_bottom_to_the_top_of_its_tolerance(volts: float, beyond: float) -> None:
    assert beyond >= 0
    toy = fed_by(volts, voltage_tolerance=0.05, **SUPPLY)
    assert outside(toy, "voltage_disagrees") == pytest.approx(beyond, abs=1e-9)


def test_a_battery_is_at_its_lowest_at_the_bottom() -> None:
    toy = fed_by(19.0, voltage_tolerance=0.05, lowest_voltage_v=21.0, **SUPPLY)
    assert outside(toy, "voltage_disagrees") == pytest.approx(21.0 - HARSHEST - 19.0 * 1.01)


@pytest.mark.parametrize(("volts", "beyond"), [(27.0, 0.0), (28.0, 28.0 * 0.99 - (27.6 - KINDEST))])
def test_a_battery_on_charge_is_at_its_float_voltage_at_the_top(volts: float, beyond: float) -> None:
    """27.6 V, more than the 25.2 V at the top of the tolerance without load."""
    toy = fed_by(volts, voltage_tolerance=0.05, lowest_voltage_v=21.0, float_voltage_v=27.6, **SUPPLY)
    assert outside(toy, "voltage_disagrees") == pytest.approx(beyond, abs=1e-9)


def test_a_supply_without_a_solution_counts_as_an_ideal_source() -> None:
    """1 A over 300 m of another run would drop 50 V. The run that was measured is judged at 24 V."""
    assert PAIR_OHM_PER_M * 300 * 0.98 * 0.95 > 24
    toy = fed_by(24.5, **SUPPLY)
    toy.rows["readings"][0]["instrument_error"] = 0.0
    far: dict[str, Any] = {
        "model_index": 0,
        "cable_index": 0,
        "length_m": 300.0,
        "length_basis": 4,
        "current_basis": 4,
    }
    toy.chain(toy.run(supply_index=0), 1, speech_current_a=1.0, **far)
    assert outside(toy, "voltage_disagrees") == pytest.approx(24.5 - (24.0 - KINDEST))


def test_a_current_at_the_block_is_that_of_what_the_block_feeds() -> None:
    """Two of four marked speakers, 0.10 A ± 15 %: the others have a supply of their own."""
    toy = chain_plant(4, current_basis=MARKED)
    toy.rows["points"][2] |= {"negative_cut": True, "feed_supply_index": toy.add("supplies")}
    toy.add("readings", step=3, value=0.20, instrument_error=0.0)
    assert outside(toy) == pytest.approx(0.20 - 0.115)


def test_a_voltage_measured_at_the_block_stands_for_the_source() -> None:
    toy = fed_by(24.5, voltage_tolerance=0.05, **SUPPLY)
    toy.rows["readings"][0]["source_voltage_v"] = 24.4
    assert outside(toy, "voltage_disagrees") == pytest.approx(24.5 * 0.99 - (24.4 - KINDEST))


@pytest.mark.parametrize(
    ("bottom", "judged_v"),
    [
        ({"voltage_tolerance": 0.05}, 22.8 - 0.1),  # at the bottom of the tolerance, 0.5 Ω × 0.2 A inside
        ({"lowest_voltage_v": 21.0}, 21.0),  # of a battery under load
    ],
)
def test_likely_lengths_are_fitted_behind_the_no_load_voltage_and_the_internal_resistance(
    bottom: dict[str, float], judged_v: float
) -> None:
    """A guessed home run of 10 m before one measured speaker of 0.2 A: 24 V − 0.5 Ω × 0.2 A = 23.9 V at the
    block, and 23.5 V at the speaker, so 0.4 V / (0.2 A × R') = 11.87 m."""
    toy = chain_plant(1, length_basis=GUESSED, speech_current_a=0.2)
    toy.rows["supplies"][0] |= SUPPLY | bottom
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=23.5)
    # less the drop that was measured
    assert figure(figures(toy), "run_voltage")[1] == pytest.approx(judged_v - 0.4)


def test_an_unknown_source_cannot_be_compared() -> None:
    toy = fed_by(12.0, no_load_voltage_v=math.nan)
    assert not has(figures(toy), "voltage_disagrees")


def test_a_source_that_falls_by_nobody_knows_how_much_cannot_be_compared() -> None:
    """24 V without load and 23 V at a current that is not recorded; unless the source was measured."""
    toy = fed_by(12.0, **(SUPPLY | {"rated_current_a": math.nan}))
    assert not has(figures(toy), "voltage_disagrees")
    toy.rows["readings"][0]["source_voltage_v"] = 24.0
    assert outside(toy, "voltage_disagrees") == pytest.approx(24.0 - HARSHEST - 12.0 * 1.01)


# --- the temperature ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noted", "most", "least"), [(math.nan, 20.0, 60.0), (60.0, 60.0, 60.0), (0.0, 0.0, 0.0)]
)
def test_the_cable_is_as_warm_as_noted_else_from_20_degrees_to_design(
    noted: float, most: float, least: float
) -> None:
    """R(T) = R20 · (1 + 0.00393 · (T − 20)), IEC 60028. The source is measured: 24 V."""

    def beyond(volts: float) -> float:
        toy = chain_plant(4, length_m=40.0)
        toy.temperature_c = 60.0
        toy.add("readings", step=3, kind=VOLTAGE, point_index=3, value=volts, source_voltage_v=24.0,
                temperature_c=noted, instrument_error=0.0)  # fmt: skip
        return outside(toy, "voltage_disagrees")

    kindest = 24.0 - 4 * KINDEST * (1 + 0.00393 * (most - 20))
    harshest = 24.0 - 4 * HARSHEST * (1 + 0.00393 * (least - 20))
    assert beyond(kindest + 0.2) == pytest.approx(0.2)
    assert beyond(harshest - 0.2) == pytest.approx(0.2)
    assert beyond(kindest - 1e-6) == beyond(harshest + 1e-6) == 0.0


# --- no solution ----------------------------------------------------------------------------------------


def test_a_reading_of_a_run_without_a_solution_at_likely_lengths_disagrees_and_is_not_used() -> None:
    """0.7 A through 250 m of one pair would lose 0.7 × 250 × R' = 29.5 V of 24. At the low end of the guess,
    175 m, it loses 20.6 V: a meter that shows 3 V is inside the band, yet the likely run delivers nothing."""
    assert 0.7 * 175 * PAIR_OHM_PER_M < 24 - 3 < 24 < 0.7 * 250 * PAIR_OHM_PER_M
    toy = chain_plant(1, length_m=250.0, length_basis=GUESSED, speech_current_a=0.7)
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=3.0, source_voltage_v=24.0)
    toy.add("readings", step=3, value=0.7)
    found = figures(toy)
    assert figure(found, "voltage_disagrees")[1] == pytest.approx(3.0 * 0.99)
    assert figure(found, "reading_disagrees")[1] == pytest.approx(0.7 * 0.9)
    assert math.isnan(figure(found, "run_voltage")[1]), "the length was scaled"
