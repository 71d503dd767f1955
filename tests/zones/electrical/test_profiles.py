"""The voltage at every point along a run, by hand and against the figure that is judged."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given

from tests.zones.electrical.judged import CODES, MEASURED, RULES, UNKNOWN, chain_plant, figure, figures
from tests.zones.electrical.plants import NAN, ToyPlant
from tests.zones.electrical.test_any_plant import random_plants
from zones.electrical import plant as p
from zones.electrical.calibration import anchor
from zones.electrical.evaluate import evaluate
from zones.electrical.point_loads import point_loads
from zones.electrical.profiles import NoVoltage, RunProfile, run_profile

OHM_PER_M_24 = 25.67 / 304.8  # ASTM B258, printed


def profile(toy: ToyPlant, run: int = 0, step: int = 10) -> RunProfile:
    plant = toy.build()
    return run_profile(plant, step, run + 1000, anchor(plant, point_loads(plant)).loads)


def of_points(toy: ToyPlant, found: RunProfile) -> list[int]:
    """The ids of the points of a profile."""
    plant = toy.build()
    return [int(pk) for pk in plant.point_id[plant.points.point_index[found.row]]]


def hold_to_the_figure(toy: ToyPlant, step: int = 10) -> int:
    """How many estimates of run_voltage are held to the profile of their run: the voltage at the point that
    decides is the figure, and no other device has less above its own minimum."""
    plant = toy.build()
    anchored = anchor(plant, point_loads(plant))
    found = evaluate(plant, p.Members.of_sites(plant, step), RULES, anchoring=anchored)
    held = 0
    for i in np.flatnonzero(found.rule == CODES.index("run_voltage")):
        one = run_profile(plant, step, int(found.subject_id[i]), anchored.loads)
        ids = plant.point_id[plant.points.point_index[one.row]].tolist()
        columns = (
            (found.low, found.low_detail, found.low_limit),
            (found.likely, found.detail, found.limit),
            (found.high, found.high_detail, found.high_limit),
        )
        for band, (value, detail, limit) in enumerate(columns):
            if np.isnan(value[i]):
                continue
            at = ids.index(int(detail[i]))
            assert one.voltage_v[band, at] == pytest.approx(value[i], rel=1e-12)
            assert one.minimum_voltage_v[at] == limit[i]
            least = np.nanmin(one.voltage_v[band] - one.minimum_voltage_v)
            assert value[i] - limit[i] == pytest.approx(least, abs=1e-8)
            held += 1
    return held


def test_two_speakers_by_hand_in_all_three_estimates() -> None:
    """0.05 A each, measured (± 5 %), behind 10 m each of one pair of 24 AWG, measured (± 2 %): the first
    segment carries both."""
    found = profile(chain_plant(2))
    loop = 2 * OHM_PER_M_24 * 10
    for band, amps, metres in ((0, 0.95, 0.98), (1, 1.0, 1.0), (2, 1.05, 1.02)):
        first = 24 - 2 * 0.05 * amps * loop * metres
        assert found.voltage_v[band] == pytest.approx([first, first - 0.05 * amps * loop * metres], abs=1e-4)
        assert found.current_a[band] == pytest.approx([0.05 * amps] * 2)
        assert found.distance_m[band] == pytest.approx([10 * metres, 20 * metres])
    assert found.block_voltage_v.tolist() == [24.0, 24.0, 24.0]
    assert found.parent.tolist() == [-1, 0]
    assert found.minimum_voltage_v.tolist() == [18.0, 18.0]
    assert not found.reason.any()


def test_the_supply_s_own_resistance_is_in_the_voltage_at_the_block() -> None:
    """24 V without load and 23 V at 2 A make 0.5 Ω; two runs of ten times 0.05 A draw 1 A."""
    toy = chain_plant(10)
    toy.rows["supplies"][0] |= {"rated_load_voltage_v": 23.0}
    other = toy.run(supply_index=0, output_index=0)
    toy.chain(
        other,
        10,
        model_index=0,
        cable_index=0,
        length_m=1.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=0.05,
    )
    assert profile(toy).block_voltage_v == pytest.approx([24 - 0.5 * amps for amps in (0.95, 1.0, 1.05)])
    assert hold_to_the_figure(toy) == 6


def test_behind_a_length_that_is_not_recorded_there_is_a_voltage_and_no_distance() -> None:
    toy = chain_plant(3)
    toy.rows["points"][1] |= {"length_m": NAN, "length_basis": UNKNOWN}
    found = profile(toy)
    assert found.length_m[:, 1].tolist() == [4.0, 8.0, 15.0]
    assert np.isnan(found.distance_m).any(axis=0).tolist() == [False, True, True]
    assert not np.isnan(found.voltage_v).any()


def test_a_branch_is_measured_from_where_it_leaves() -> None:
    toy = chain_plant(3)
    toy.rows["points"][2] |= {"parent_index": 0, "length_m": 3.0}
    found = profile(toy)
    assert found.parent.tolist() == [-1, 0, 0]
    assert found.distance_m[1] == pytest.approx([10.0, 20.0, 13.0])


def test_a_section_that_is_fed_in_mid_run_has_its_highest_voltage_there() -> None:
    """P3 is fed; the negative to P2 is cut. P2 lies 10 m before the feed and carries its own 0.05 A."""
    toy = chain_plant(3)
    second = toy.add("supplies", no_load_voltage_v=26.0)
    toy.rows["points"][1]["negative_cut"] = True
    toy.rows["points"][2]["feed_supply_index"] = second
    found = profile(toy)
    drop = 0.05 * 2 * OHM_PER_M_24 * 10
    assert found.voltage_v[1] == pytest.approx([24 - drop, 26 - drop, 26.0], abs=1e-4)
    assert found.distance_m[1] == pytest.approx([10.0, 20.0, 30.0])  # along the cable all the same
    assert hold_to_the_figure(toy) == 3


def test_of_every_scenario_the_lowest_voltage_counts() -> None:
    """Zones 1 and 2 page apart: each run of ten has its own lowest voltage while its own zone pages, and the
    other only adds its idle 0.015 A a speaker to the supply's drop of 0.5 Ω."""
    toy = chain_plant(10)
    toy.rows["supplies"][0] |= {"rated_load_voltage_v": 23.0}
    other = toy.run(supply_index=0, output_index=0, zone_id=2)
    toy.chain(
        other,
        10,
        model_index=0,
        cable_index=0,
        length_m=10.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=0.05,
    )
    for number in (1, 2):
        toy.add("paging", set_id=number, zone_id=number)
    found = profile(toy)
    assert found.block_voltage_v[1] == pytest.approx(24 - 0.5 * (10 * 0.05 + 10 * 0.015))
    assert hold_to_the_figure(toy) == 6


def test_why_there_is_no_voltage() -> None:
    nothing = chain_plant(2)
    nothing.rows["runs"][0]["supply_index"] = -1
    assert set(profile(nothing).reason.ravel()) == {NoVoltage.NO_SUPPLY}

    behind = chain_plant(2)
    behind.rows["points"][1]["negative_cut"] = True
    assert profile(behind).reason[1].tolist() == [NoVoltage.KNOWN, NoVoltage.CUT_OFF]

    twice = chain_plant(2)
    twice.rows["points"][1]["feed_supply_index"] = twice.add("supplies")
    assert set(profile(twice).reason.ravel()) == {NoVoltage.SEVERAL_FEEDS}

    unrated = chain_plant(2)
    unrated.rows["supplies"][0]["no_load_voltage_v"] = NAN
    assert set(profile(unrated).reason.ravel()) == {NoVoltage.SOURCE_NOT_RECORDED}

    sagging = chain_plant(2)
    sagging.rows["supplies"][0] |= {"rated_current_a": NAN, "rated_load_voltage_v": 23.0}
    assert np.isnan(profile(sagging).voltage_v[2]).all()
    assert profile(sagging).reason.tolist() == [
        [NoVoltage.KNOWN] * 2,
        [NoVoltage.KNOWN] * 2,
        [NoVoltage.SAG_NOT_KNOWN] * 2,
    ]

    line = ToyPlant()
    line.model(), line.cable()
    run = line.run(kind=p.RunKind.CONSTANT_VOLTAGE, amplifier_index=line.add("amplifiers"))
    line.chain(run, 2, model_index=0, cable_index=0, length_m=10.0, length_basis=MEASURED)
    found = profile(line)
    assert set(found.reason.ravel()) == {NoVoltage.NOT_SELF_AMPLIFIED}
    assert found.distance_m[1].tolist() == [10.0, 20.0]
    assert np.isnan(found.voltage_v).all()


def test_a_run_that_asks_for_more_than_its_cable_carries_has_no_voltage_in_that_estimate() -> None:
    """The loop of 500 m has 84.2 Ω. It carries 24² / (4 · 84.2) = 1.7 W at most, and 10 W are asked for."""
    stuck = chain_plant(1, length_m=500.0, speech_current_a=NAN)
    stuck.models[0] |= {"full_output_current_a": NAN, "idle_current_a": NAN, "full_output_power_w": 20.0}
    assert set(profile(stuck).reason.ravel()) == {NoVoltage.OVERLOADED}
    assert np.isnan(figure(figures(stuck), "run_voltage")[1])

    # Guessed, so in the high estimate 1.6 · 0.15 A through 1.5 · 84.2 Ω would drop 30.3 V of 24
    high = chain_plant(1, length_m=500.0, length_basis=1, speech_current_a=0.15, current_basis=1)
    found = profile(high)
    assert found.reason[:, 0].tolist() == [NoVoltage.KNOWN, NoVoltage.KNOWN, NoVoltage.OVERLOADED]
    assert found.voltage_v[1, 0] == pytest.approx(24 - 0.15 * 2 * OHM_PER_M_24 * 500, abs=1e-3)
    assert hold_to_the_figure(high) == 2


def test_a_splice_has_no_minimum_and_draws_nothing() -> None:
    toy = chain_plant(2)
    toy.rows["points"][0] |= {
        "kind": p.PointKind.SPLICE,
        "count_low": 0.0,
        "count_likely": 0.0,
        "count_high": 0.0,
    }
    found = profile(toy)
    assert np.isnan(found.minimum_voltage_v).tolist() == [True, False]
    assert found.current_a[1].tolist() == [0.0, 0.05]


def test_a_run_of_another_site_is_refused_by_name() -> None:
    with pytest.raises(KeyError, match="run 1077"):
        profile(chain_plant(1), run=77)


@given(random_plants())
def test_the_figure_that_is_judged_is_one_of_the_voltages_of_the_profile(toy: ToyPlant) -> None:
    hold_to_the_figure(toy)


@given(random_plants())
def test_every_point_has_a_voltage_or_a_reason(toy: ToyPlant) -> None:
    plant = toy.build()
    loads = anchor(plant, point_loads(plant)).loads
    for run_id in plant.run_id.tolist():
        found = run_profile(plant, 10, run_id, loads)
        assert (np.isnan(found.voltage_v) == (found.reason != NoVoltage.KNOWN)).all()
        low, likely, high = found.voltage_v
        assert not (likely > low).any()
        assert not (high > likely).any()
