"""Calibration by readings, against arithmetic by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.zones.electrical.judged import (
    CODES,
    DRAWING,
    GUESSED,
    MARKED,
    MEASURED,
    UNKNOWN,
    chain_plant,
    figure,
    figures,
    has,
)
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import factor_fit
from zones.electrical import plant as p
from zones.electrical.calibration import anchor
from zones.electrical.conductors import loop_resistance_ohm
from zones.electrical.point_loads import PointLoads, point_loads
from zones.electrical.verdicts import Verdict


def test_a_reading_scales_guessed_values_and_keeps_marked_ones() -> None:
    toy = chain_plant(4, current_basis=DRAWING)
    for i in (0, 1):
        toy.rows["points"][i]["current_basis"] = MARKED
    toy.add("readings", run_index=0, step=3, value=0.19)  # 0.10 A marked, so 0.09 A for the two drawn ones
    low, likely, high, *_ = figure(figures(toy), "supply_current")
    assert likely == pytest.approx(0.19)
    # the reading is off by up to 0.019 A, the marked ones by 0.015 A: 0.034 A of 0.09 A
    assert 0.09 - 0.034 < 2 * 0.05 * 0.8  # where the drawn ones stop
    assert low == pytest.approx(0.1 * 0.85 + 2 * 0.05 * 0.8)
    assert high == pytest.approx(0.1 * 1.15 + 0.09 + 0.034)


def test_a_reading_scales_unknown_devices_and_uncounted_groups() -> None:
    toy = chain_plant(2, current_basis=UNKNOWN, model_index=0)
    toy.chain(
        0,
        1,
        parent=1,
        kind=p.PointKind.UNCOUNTED_GROUP,
        count_low=1.0,
        count_likely=2.0,
        count_high=4.0,
        model_index=0,
        cable_index=0,
        length_m=0.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=0.05,
    )
    toy.add("readings", run_index=0, step=3, value=0.26)
    # all of it is scaled, so what the reading is off by is all the error: 10 %
    assert figure(figures(toy), "supply_current")[:3] == pytest.approx((0.234, 0.26, 0.286))


def test_devices_added_after_the_reading_are_not_scaled() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=3, value=0.08)
    toy.chain(
        0,
        1,
        parent=1,
        step=4,
        model_index=0,
        cable_index=0,
        length_m=10.0,
        length_basis=MEASURED,
        current_basis=DRAWING,
        speech_current_a=0.05,
    )
    assert figure(figures(toy, 3), "supply_current")[1] == pytest.approx(0.08)
    assert figure(figures(toy, 4), "supply_current")[1] == pytest.approx(0.13)


def test_a_device_keeps_its_scale_for_its_whole_life_there_and_loses_it_when_swapped() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.change("points", 1, step=2, place_only=True)
    toy.add("readings", run_index=0, step=3, value=0.08)
    toy.change("points", 0, step=5, speech_current_a=0.07)
    for row in toy.rows["points"]:
        row.pop("place_only", None)
    assert figure(figures(toy, 1), "supply_current")[1] == pytest.approx(0.08)
    assert figure(figures(toy, 5), "supply_current")[1] == pytest.approx(0.04 + 0.07)


def test_a_device_like_the_measured_one_mounted_in_its_place_later_is_not_scaled() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=3, value=0.08)
    for step, kind, count in ((4, p.PointKind.SPLICE, 0.0), (5, p.PointKind.DEVICE, 1.0)):
        toy.change("points", 1, step=step, kind=kind, count_low=count, count_likely=count, count_high=count)
    assert figure(figures(toy, 4), "supply_current")[1] == pytest.approx(0.04)
    assert figure(figures(toy, 5), "supply_current")[1] == pytest.approx(0.04 + 0.05)


def test_a_reading_on_the_edge_of_the_band_agrees() -> None:
    toy = chain_plant(3, current_basis=MEASURED)
    toy.add("readings", run_index=0, step=3, value=0.95 * 0.15 / 1.1)  # and 10 % of it on top
    assert figure(figures(toy), "reading_disagrees")[:3] == (0.0, 0.0, 0.0)


def test_the_newest_reading_wins() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=2, value=0.08)
    toy.add("readings", run_index=0, step=3, value=0.12)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.12)


def test_a_newer_reading_outside_the_band_leaves_the_older_one_in_use() -> None:
    """Two speakers of 0.05 A off a drawing draw 0.08 to 0.13 A. 0.25 A, a tenth of it off, is 0.225 A."""
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, reading_id=32, step=2, value=0.09)
    toy.add("readings", run_index=0, reading_id=33, step=3, value=0.25)
    found = figures(toy)
    assert figure(found, "supply_current")[1] == pytest.approx(0.09)
    assert figure(found, "reading_disagrees")[1] == pytest.approx(0.225 - 0.13)
    assert figure(figures(toy, 2), "reading_disagrees")[1] == 0.0


def test_a_newer_voltage_outside_the_band_leaves_the_older_one_in_use() -> None:
    """One speaker of 0.05 A at 100 m off a drawing, 95 to 140 m of 24 AWG with 0.17 Ω a metre, drops 0.8 to
    1.2 V. A drop of 4 V is none of them, give or take 0.2 V."""
    toy = chain_plant(1, length_m=100.0, length_basis=DRAWING)
    ohm = float(loop_resistance_ohm(24, 110.0))
    said: Any = {
        "run_index": 0,
        "kind": p.ReadingKind.END_VOLTAGE,
        "source_voltage_v": 24.0,
        "point_index": 0,
    }
    toy.add("readings", step=2, value=24.0 - 0.05 * ohm, **said)
    toy.add("readings", step=3, value=20.0, **said)
    assert scaled(toy).length_m[1] == pytest.approx([110.0])
    assert figure(figures(toy), "voltage_disagrees")[4] is Verdict.PAST


def test_a_device_is_scaled_by_the_reading_of_its_own_days() -> None:
    """It read 0.06 A; its successor, of 0.07 A off the drawing, 0.063 A."""
    toy = chain_plant(1, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=2, value=0.06)
    toy.change("points", 0, step=5, speech_current_a=0.07)
    toy.add("readings", run_index=0, step=6, value=0.063)
    assert figure(figures(toy, 4), "supply_current")[1] == pytest.approx(0.06)
    assert figure(figures(toy, 7), "supply_current")[1] == pytest.approx(0.063)


def test_an_idle_reading_scales_idle_and_one_during_speech_speech() -> None:
    toy = chain_plant(2, current_basis=DRAWING, idle_current_a=0.02)
    toy.add("readings", run_index=0, step=2, value=0.12)
    toy.add("readings", run_index=0, step=3, value=0.035, state=p.State.IDLE)
    loads = scaled(toy)
    assert loads.speech_a[1] == pytest.approx([0.06, 0.06])
    assert loads.idle_a[1] == pytest.approx([0.0175, 0.0175])
    # 5 % when idle, 10 % during speech
    assert loads.idle_a[2] == pytest.approx([0.0175 * 1.05] * 2)
    assert loads.speech_a[0] == pytest.approx([0.054, 0.054])


def scaled(toy: ToyPlant) -> PointLoads:
    plant = toy.build()
    return anchor(plant, point_loads(plant)).loads


@pytest.mark.parametrize("value", [0.02, 0.25])
def test_a_reading_outside_the_band_is_reported_and_not_used(value: float) -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, reading_id=33, step=2, value=value)
    found = figures(toy)
    assert figure(found, "supply_current")[1] == pytest.approx(0.1)
    assert figure(found, "reading_disagrees")[4] is Verdict.PAST
    assert not has(figures(toy, 1), "reading_disagrees")


def test_a_reading_inside_the_band_agrees() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=2, value=0.12)
    assert figure(figures(toy), "reading_disagrees")[1] == 0.0


def test_end_voltage_scales_lengths_after_currents() -> None:
    toy = chain_plant(4, length_basis=DRAWING)
    toy.rows["points"][0]["length_basis"] = MEASURED
    truth = chain_plant(4)
    for i in (1, 2, 3):
        truth.rows["points"][i]["length_m"] = 13.0
    measured = figure(figures(truth), "run_voltage")[1]
    toy.add(
        "readings",
        run_index=0,
        step=2,
        kind=p.ReadingKind.END_VOLTAGE,
        value=measured,
        source_voltage_v=24.0,
        instrument_error=0.001,
        point_index=3,
    )
    assert figure(figures(toy), "run_voltage")[1] == pytest.approx(measured, abs=1e-9)
    # 0.15 + 0.10 + 0.05 A over 13 m each; before them 0.20 A over 10 ± 2 %; every current ± 5 %
    ohm = float(loop_resistance_ohm(24, 1.0))
    highest = ohm * (0.98 * 2.0 + 3.9) * 0.95
    lowest = ohm * (1.02 * 2.0 + 3.9) * 1.05
    error = (0.001 * measured + (lowest - highest) / 2) / (ohm * 3.9)
    assert scaled(toy).length_m[:, 1] == pytest.approx([13 * (1 - error), 13.0, 10 * 1.4])
    assert 13 * (1 + error) > 14.0 > 13 * (1 - error) > 9.5


def test_constant_power_loads_are_anchored_to_the_measured_current_too() -> None:
    toy = ToyPlant()
    watts = {
        "idle_current_a": NAN,
        "full_output_current_a": NAN,
        "full_output_power_w": 2.4,
        "idle_power_w": 0.2,
    }
    run = toy.run(supply_index=toy.add("supplies"))
    toy.chain(
        run,
        6,
        model_index=toy.model(**watts),
        cable_index=toy.cable(),
        length_m=12.0,
        length_basis=MEASURED,
        current_basis=DRAWING,
    )
    toy.add("readings", run_index=run, step=2, value=0.36, source_voltage_v=24.0)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.36, rel=1e-9)


def test_a_reading_close_to_collapse_is_used_to_the_last_digit() -> None:
    """One load of P at the end of R: I = (V - sqrt(V**2 - 4 R P)) / 2R. There a proportional correction of P
    from the recorded 4.7 W jumps far past V**2 / 4R, beyond which nothing flows at all."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies"))
    watts = {
        "idle_current_a": NAN,
        "full_output_current_a": NAN,
        "full_output_power_w": 9.4,
        "idle_power_w": 0.2,
    }
    toy.chain(
        run,
        1,
        model_index=toy.model(**watts),
        cable_index=toy.cable(),
        length_m=118.0,
        length_basis=MEASURED,
        current_basis=GUESSED,
    )
    ohm = float(loop_resistance_ohm(24, 118.0))
    power_w = 0.9995 * 24.0**2 / (4.0 * ohm)
    assert 1.5 < power_w / 4.7 < 1.6
    current_a = (24.0 - math.sqrt(24.0**2 - 4.0 * ohm * power_w)) / (2.0 * ohm)
    toy.add("readings", run_index=run, step=2, value=current_a, source_voltage_v=24.0)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(current_a, rel=1e-9)


def test_a_plant_without_readings_keeps_its_loads() -> None:
    found = figures(chain_plant(2, current_basis=DRAWING))
    assert not {CODES.index("reading_disagrees"), CODES.index("voltage_disagrees")} & set(found.rule.tolist())


@pytest.mark.parametrize(
    ("value", "factors"),
    [
        # 0.14 / 0.10, then the drawn one stops at 0.065 A: 1.4 × (0.14 − 0.065) / 0.07
        (0.14, [1.0, 1.4, 1.5]),
        # 0.072 / 0.10, then the drawn one stops at 0.040 A: 0.72 × (0.072 − 0.04) / 0.036
        (0.072, [1.0, 0.72, 0.64]),
    ],
)
def test_where_a_value_stops_one_more_proportion_is_exact(
    value: float, factors: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A drawn speaker (× 0.8 to 1.3) and a guessed one (× 0.6 to 1.6), of 50 mA each: the third look
    sees that the second proportion was right."""
    tried: list[float] = []

    def noted(better: Any, least: Any, most: Any, possible: Any) -> Any:
        def noting(factor: Any) -> Any:
            tried.extend(factor.tolist())
            return better(factor)

        return converge(noting, least, most, possible)

    converge = factor_fit._converge
    monkeypatch.setattr(factor_fit, "_converge", noted)
    toy = chain_plant(2, current_basis=DRAWING)
    toy.rows["points"][1]["current_basis"] = GUESSED
    toy.add("readings", step=3, value=value, instrument_error=0.02)
    plant = toy.build()
    anchor(plant, point_loads(plant))
    assert tried == pytest.approx(factors)
