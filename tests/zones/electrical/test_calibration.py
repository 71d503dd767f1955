"""Calibration by readings, against arithmetic by hand."""

from __future__ import annotations

import math

import pytest

from tests.zones.electrical.judged import (
    CODES,
    DRAWING,
    MARKED,
    MEASURED,
    UNKNOWN,
    chain_plant,
    figure,
    figures,
    has,
)
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.conductors import loop_resistance_ohm
from zones.electrical.verdicts import Verdict


def test_a_reading_scales_guessed_values_and_keeps_marked_ones() -> None:
    toy = chain_plant(4, current_basis=DRAWING)
    for i in (0, 1):
        toy.rows["points"][i]["current_basis"] = MARKED
    toy.add("readings", run_index=0, step=3, value=0.19)  # 0.10 A marked, so 0.09 A for the two drawn ones
    low, likely, high, *_ = figure(figures(toy), "supply_current")
    assert likely == pytest.approx(0.19)
    assert low == pytest.approx(0.1 * 0.85 + 0.09 * 0.95)
    assert high == pytest.approx(0.1 * 1.15 + 0.09 * 1.05)


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
    assert figure(figures(toy), "supply_current")[:3] == pytest.approx((0.247, 0.26, 0.273))


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


def test_a_factor_of_one_half_is_used_and_a_reading_on_the_edge_of_the_band_agrees() -> None:
    toy = chain_plant(3, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=3, value=0.075)  # 0.075 / (0.05 + 0.05 + 0.05) is a bit below 0.5
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.075)
    toy = chain_plant(3, current_basis=MEASURED)
    toy.add("readings", run_index=0, step=3, value=0.95 * 0.15)
    assert figure(figures(toy), "reading_disagrees")[:3] == (0.0, 0.0, 0.0)


def test_the_newest_reading_wins() -> None:
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", run_index=0, step=2, value=0.08)
    toy.add("readings", run_index=0, step=3, value=0.12)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.12)


def test_an_idle_reading_scales_speech_by_the_same_factor() -> None:
    toy = chain_plant(2, current_basis=DRAWING, idle_current_a=0.02)
    toy.add("readings", run_index=0, step=2, value=0.03, state=p.State.IDLE)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.1 * 0.75)


@pytest.mark.parametrize("value", [0.02, 0.25])
def test_a_factor_out_of_range_is_reported_and_not_used(value: float) -> None:
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
        point_index=3,
    )
    low, likely, high, *_ = figure(figures(toy), "run_voltage")
    assert likely == pytest.approx(measured, abs=1e-9)
    drop = 24.0 - likely
    assert 24.0 - high == pytest.approx(drop * 1.02 * 1.05)
    assert 24.0 - low == pytest.approx(drop * 0.98 * 0.95)


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
    toy.add("readings", run_index=run, step=2, value=0.5, source_voltage_v=24.0)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.5, rel=1e-9)


def test_a_reading_close_to_collapse_is_used_to_the_last_digit() -> None:
    """One load of P at the end of R: I = (V - sqrt(V**2 - 4 R P)) / 2R. There a proportional correction of P
    from the recorded 4 W jumps far past V**2 / 4R, beyond which nothing flows at all."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies"))
    watts = {
        "idle_current_a": NAN,
        "full_output_current_a": NAN,
        "full_output_power_w": 8.0,
        "idle_power_w": 0.2,
    }
    toy.chain(
        run,
        1,
        model_index=toy.model(**watts),
        cable_index=toy.cable(),
        length_m=118.0,
        length_basis=MEASURED,
        current_basis=DRAWING,
    )
    ohm = float(loop_resistance_ohm(24, 118.0))
    power_w = 0.9995 * 24.0**2 / (4.0 * ohm)
    assert 1.7 < power_w / 4.0 < 2.0
    current_a = (24.0 - math.sqrt(24.0**2 - 4.0 * ohm * power_w)) / (2.0 * ohm)
    toy.add("readings", run_index=run, step=2, value=current_a, source_voltage_v=24.0)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(current_a, rel=1e-9)


def test_a_plant_without_readings_keeps_its_loads() -> None:
    found = figures(chain_plant(2, current_basis=DRAWING))
    assert CODES.index("reading_disagrees") not in found.rule
