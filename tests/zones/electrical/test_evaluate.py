"""Figures of plants built by hand, against arithmetic by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import (
    CODES,
    DRAWING,
    GUESSED,
    MARKED,
    MEASURED,
    RULES,
    UNKNOWN,
    chain_plant,
    figure,
    figures,
    has,
)
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.bands import Basis, Factors
from zones.electrical.evaluate import evaluate
from zones.electrical.verdicts import Verdict

OHM_PER_M_24 = 25.67 / 304.8  # ASTM B258, printed


def test_ten_speakers_10_m_apart_have_the_published_end_voltage() -> None:
    found = figures(chain_plant())
    assert figure(found, "run_voltage")[1] == pytest.approx(19.368171, abs=1e-6)
    assert figure(found, "supply_current")[:4] == pytest.approx((0.475, 0.5, 0.525, 1.6))
    assert figure(found, "run_voltage")[4] is Verdict.NEAR  # 19.04 V at worst: less than a tenth above 18 V


def test_at_40_degrees_copper_resists_more_and_the_harsher_estimate_is_the_lower_voltage() -> None:
    """0.2 A through 100 m of one pair of 24 AWG, both read off a drawing."""
    toy = chain_plant(1, length_m=100.0, length_basis=DRAWING, speech_current_a=0.2, current_basis=DRAWING)
    toy.temperature_c = 40.0
    loop_ohm = 2 * OHM_PER_M_24 * 100 * (1 + 0.00393 * (40 - 20))  # copper's coefficient: IEC 60028
    kindest, likely, harshest = figure(figures(toy), "run_voltage")[:3]
    assert likely == pytest.approx(24 - 0.2 * loop_ohm, abs=1e-3)
    # of a length off a drawing: 0.95 to 1.4 of it; of a current: 0.8 to 1.3
    assert kindest == pytest.approx(24 - 0.2 * 0.8 * loop_ohm * 0.95, abs=1e-3)
    assert harshest == pytest.approx(24 - 0.2 * 1.3 * loop_ohm * 1.4, abs=1e-3)
    assert kindest > likely > harshest


def test_high_resistance_of_category_cable_is_in_the_high_estimate_only() -> None:
    plain, category = chain_plant(1), chain_plant(1)
    category.cables[0]["category"] = True
    plain_v, category_v = figure(figures(plain), "run_voltage"), figure(figures(category), "run_voltage")
    assert category_v[:2] == plain_v[:2]
    assert 24 - category_v[2] == pytest.approx(1.114 * (24 - plain_v[2]))


def test_speech_current_is_half_of_full_output_and_never_under_idle() -> None:
    toy = chain_plant(1, speech_current_a=NAN)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.025)
    toy.models[0]["idle_current_a"] = 0.03
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.03)


def test_blank_is_unknown_and_never_zero() -> None:
    toy = chain_plant(1, speech_current_a=NAN, length_m=NAN, length_basis=UNKNOWN, model_index=-1)
    found = figures(toy)
    assert figure(found, "supply_current")[:3] == pytest.approx((0.015, 0.025, 0.050))
    low, likely, high, limit, verdict = figure(found, "run_voltage")
    assert np.isnan([low, likely, high, limit]).all()  # the device's minimum is not recorded
    assert verdict is Verdict.CANNOT_TELL


def test_a_supply_of_unknown_rating_is_never_within() -> None:
    toy = chain_plant(1)
    toy.rows["supplies"][0] |= {"rated_current_a": NAN, "no_load_voltage_v": NAN}
    found = figures(toy)
    assert figure(found, "supply_current")[4] is Verdict.CANNOT_TELL
    assert figure(found, "run_voltage")[4] is Verdict.CANNOT_TELL
    assert figure(found, "supply_current")[1] == pytest.approx(0.05)


def test_a_run_without_a_known_feed_cannot_be_judged() -> None:
    toy = chain_plant(1)
    toy.rows["runs"][0]["supply_index"] = -1
    found = figures(toy)
    assert figure(found, "run_voltage")[4] is Verdict.CANNOT_TELL
    assert not has(found, "supply_current")


def test_supply_resistance_couples_its_runs() -> None:
    toy = chain_plant(1)
    toy.rows["supplies"][0] |= {"no_load_voltage_v": 26.0, "rated_load_voltage_v": 24.0}  # 1 Ω at 2 A
    other = toy.run(supply_index=0)
    toy.chain(
        other,
        1,
        model_index=0,
        cable_index=0,
        length_m=0.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=1.0,
    )
    drop = 2 * OHM_PER_M_24 * 10 * 0.05
    assert figure(figures(toy), "run_voltage", 0)[1] == pytest.approx(26 - 1.05 - drop, abs=1e-4)


def test_tolerance_and_battery_bottom_hold_in_all_three_estimates() -> None:
    toy = chain_plant(1, length_m=0.0)
    toy.rows["supplies"][0]["voltage_tolerance"] = 0.05
    assert figure(figures(toy), "run_voltage")[:3] == pytest.approx((22.8,) * 3)
    toy.rows["supplies"][0]["lowest_voltage_v"] = 20.4
    assert figure(figures(toy), "run_voltage")[:3] == pytest.approx((20.4,) * 3)


def test_a_single_pair_extension_behind_two_pairs_carries_its_current_on_one_conductor() -> None:
    toy = ToyPlant()
    model, cable = toy.model(), toy.cable()
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=10.0))
    fixed: dict[str, Any] = {
        "model_index": model,
        "cable_index": cable,
        "length_m": 1.0,
        "length_basis": MEASURED,
        "current_basis": MEASURED,
    }
    first = toy.chain(run, 1, dc_pairs=2, speech_current_a=0.4, **fixed)
    toy.chain(run, 2, parent=first[-1], dc_pairs=1, speech_current_a=0.6, **fixed)
    plant = toy.build()
    found = evaluate(plant, p.Members.of_sites(plant, 1), RULES)
    assert figure(found, "conductor_current")[1:] == pytest.approx((1.2, 1.26, 1.0, Verdict.PAST))
    at = int(np.flatnonzero(found.rule == CODES.index("conductor_current"))[0])
    assert found.detail[at] == 1001  # the first single-pair segment, not the two pairs before it


def test_fuse_is_judged_where_fitted_only() -> None:
    toy = chain_plant()
    assert not has(figures(toy), "run_current")
    toy.rows["runs"][0] |= {"fuse_fitted": 1, "fuse_rating_a": 0.5}
    assert figure(figures(toy), "run_current")[1:] == pytest.approx((0.5, 0.525, 0.4, Verdict.PAST))
    toy.rows["runs"][0]["fuse_rating_a"] = NAN
    assert figure(figures(toy), "run_current")[4] is Verdict.CANNOT_TELL


def test_an_uncounted_group_counts_at_the_far_end_with_its_own_range() -> None:
    toy = chain_plant(2)
    toy.chain(
        0,
        1,
        parent=1,
        kind=p.PointKind.UNCOUNTED_GROUP,
        count_low=4.0,
        count_likely=6.0,
        count_high=9.0,
        model_index=0,
        cable_index=0,
        length_m=0.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=0.05,
    )
    found = figures(toy)
    assert figure(found, "supply_current")[:3] == pytest.approx((0.05 * 6 * 0.95, 0.4, 0.05 * 11 * 1.05))
    assert figure(found, "output_speakers")[:3] == (6, 8, 11)


def test_a_cut_negative_makes_sections_each_on_its_own_supply() -> None:
    toy = chain_plant(4)
    second = toy.add("supplies", rated_current_a=1.0)
    toy.rows["points"][2]["negative_cut"] = True
    toy.rows["points"][3]["feed_supply_index"] = second  # fed at its far end: the section is re-rooted there
    found = figures(toy)
    assert figure(found, "supply_current", 0)[1] == pytest.approx(0.1)
    assert figure(found, "supply_current", second)[1] == pytest.approx(0.1)
    loop = 2 * OHM_PER_M_24 * 10
    first_section = 24 - loop * 0.1 - loop * 0.05
    assert figure(found, "run_voltage")[1] == pytest.approx(first_section, abs=1e-4)
    assert figure(found, "conductor_current")[1] == pytest.approx(0.1)
    assert found.problems == ()


def test_paging_sets_are_scenarios_and_the_worst_counts() -> None:
    toy = chain_plant(2, idle_current_a=0.01)
    other = toy.run(supply_index=0, zone_id=2)
    toy.chain(
        other,
        3,
        model_index=0,
        cable_index=0,
        length_m=10.0,
        length_basis=MEASURED,
        current_basis=MEASURED,
        speech_current_a=0.05,
        idle_current_a=0.01,
    )
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.25)
    toy.add("paging", set_id=5, zone_id=1)
    toy.add("paging", set_id=6, zone_id=2)
    found = figures(toy)
    assert figure(found, "supply_current")[1] == pytest.approx(0.15 + 0.02)
    loop = 2 * OHM_PER_M_24 * 10
    assert figure(found, "run_voltage", 0)[1] == pytest.approx(24 - loop * (0.1 + 0.05), abs=1e-4)


def test_a_network_without_solution_is_a_verdict_without_a_number() -> None:
    toy = ToyPlant()
    model = toy.model(
        idle_current_a=NAN, full_output_current_a=NAN, full_output_power_w=200.0, idle_power_w=1.0
    )
    run = toy.run(supply_index=toy.add("supplies"))
    toy.chain(run, 1, model_index=model, cable_index=toy.cable(), length_m=30.0, length_basis=MEASURED)
    found = figures(toy)
    assert np.isnan(figure(found, "run_voltage")[:3]).all()
    assert figure(found, "run_voltage")[4] is Verdict.PAST
    assert figure(found, "supply_current")[1] == pytest.approx(100 / 24)


def test_a_removed_device_leaves_a_splice() -> None:
    toy = chain_plant(3)
    toy.change(
        "points",
        1,
        step=5,
        kind=p.PointKind.SPLICE,
        model_index=-1,
        count_low=0.0,
        count_likely=0.0,
        count_high=0.0,
        speech_current_a=NAN,
    )
    assert figure(figures(toy, 4), "supply_current")[1] == pytest.approx(0.15)
    found = figures(toy, 5)
    loop = 2 * OHM_PER_M_24 * 10
    assert figure(found, "supply_current")[1] == pytest.approx(0.10)
    assert figure(found, "run_voltage")[1] == pytest.approx(24 - loop * (0.1 + 0.05 + 0.05), abs=1e-4)


def test_the_judged_point_of_a_line_takes_its_path_long_and_the_rest_short() -> None:
    toy = ToyPlant()
    model, cable = toy.model(), toy.cable(gauge_awg=18.0)
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers"))
    tapped: dict[str, Any] = {
        "model_index": model,
        "cable_index": cable,
        "tap_power_w": 30.0,
        "tap_basis": MARKED,
    }
    toy.chain(run, 2, length_m=100.0, length_basis=DRAWING, **tapped)
    loss = figure(figures(toy), "line_loss")
    r = 2 * 6.385 / 304.8 * 100
    z = 70.7**2 / 30

    def two_in_a_row(ohm: float, load: float) -> float:
        far = ohm + load
        near = 1 / (1 / load + 1 / far)
        return float(-20 * np.log10(near / (ohm + near) * load / far))

    assert loss[1] == pytest.approx(two_in_a_row(r, z), rel=1e-3)
    assert loss[2] == pytest.approx(two_in_a_row(r * 1.4, z / 1.15), rel=1e-3)
    assert loss[0] == pytest.approx(two_in_a_row(r * 0.95, z / 0.85), rel=1e-3)
    assert loss[0] < loss[1] < loss[2]


def test_a_branch_beside_the_judged_points_path_is_short_where_that_is_harsh() -> None:
    """The shorter the other branch, the more it takes from what the trunk leaves: so it has the corners of
    length the other way round."""
    toy = ToyPlant()
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers"))
    common: dict[str, Any] = {
        "model_index": toy.model(),
        "cable_index": toy.cable(),
        "length_basis": DRAWING,
        "tap_power_w": 30.0,
        "tap_basis": MEASURED,
    }
    none = {"count_low": 0.0, "count_likely": 0.0, "count_high": 0.0}
    (trunk,) = toy.chain(run, 1, length_m=400.0, kind=p.PointKind.SPLICE, **common | none)
    toy.chain(run, 1, parent=trunk, length_m=600.0, **common)  # the farthest: judged
    toy.chain(run, 1, parent=trunk, length_m=500.0, **common)
    r, z = 2 * OHM_PER_M_24, 70.7**2 / 30

    def by_hand_db(path: float, beside: float, load: float) -> float:
        far, other = r * 600 * path + load, r * 500 * beside + load
        both = 1 / (1 / far + 1 / other)
        return float(-20 * np.log10(both / (r * 400 * path + both) * load / far))

    loss = figure(figures(toy), "line_loss")
    # length off a drawing: 0.95 to 1.4 of it; a measured tap: 0.95 to 1.05 of its watts
    assert loss[:3] == pytest.approx(
        (by_hand_db(0.95, 1.4, z / 0.95), by_hand_db(1, 1, z), by_hand_db(1.4, 0.95, z / 1.05)), rel=1e-3
    )
    # the other way round, the branch would change a figure by more than that
    assert by_hand_db(1.4, 1.4, z / 1.05) < 0.98 * loss[2]
    assert by_hand_db(0.95, 0.95, z / 0.95) > 1.02 * loss[0]


def test_low_impedance_speakers_in_parallel() -> None:
    toy = ToyPlant()
    model = toy.model(nominal_impedance_ohm=8.0)
    amplifier = toy.add("amplifiers", line_voltage_v=NAN, minimum_impedance_ohm=4.0)
    run = toy.run(kind=p.RunKind.LOW_IMPEDANCE, amplifier_index=amplifier)
    toy.chain(
        run, 3, model_index=model, cable_index=toy.cable(gauge_awg=16.0), length_m=5.0, length_basis=MEASURED
    )
    assert figure(figures(toy), "line_impedance")[1:] == pytest.approx((8 / 3, 8 / 3, 4.0, Verdict.PAST))
    toy.models[0]["nominal_impedance_ohm"] = NAN
    assert figure(figures(toy), "line_impedance")[4] is Verdict.CANNOT_TELL


def test_a_speaker_connected_to_a_run_of_another_zone() -> None:
    toy = chain_plant(3)
    toy.rows["points"][2]["zone_id"] = 9
    assert figure(figures(toy), "other_zone")[1:] == (1, 1, 0, Verdict.PAST)


def test_block_faults_are_figures() -> None:
    toy = ToyPlant()
    block = toy.block()
    for row, field_side, carries in (
        (1, False, p.Carries.AUDIO_POSITIVE),
        (1, True, p.Carries.AUDIO_NEGATIVE),
        (2, False, p.Carries.AUDIO_NEGATIVE),
        (2, True, p.Carries.AUDIO_POSITIVE),
        (3, True, p.Carries.DC_POSITIVE),
        (3, True, p.Carries.DC_NEGATIVE),
    ):
        toy.add("landings", block_index=block, row=row, field_side=field_side, carries=carries)
    toy.add("zones", zone_id=1)
    found = figures(toy)
    assert figure(found, "row_used_twice")[1:] == (2, 2, 1, Verdict.PAST)
    assert figure(found, "polarity_reversed")[1:] == (0, 0, 0, Verdict.WITHIN)
    assert figure(found, "audio_reversed")[1:] == (2, 2, 0, Verdict.PAST)
    assert figure(found, "audio_with_dc")[1] == 0
    toy.add("zones", zone_id=2)
    assert figure(figures(toy), "audio_with_dc")[1] == 1


def test_a_conductor_outside_the_wire_range_of_a_66_type_block() -> None:
    toy = ToyPlant()
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE)
    toy.chain(run, 1, cable_index=toy.cable(gauge_awg=16.0))
    assert figure(figures(toy), "wire_gauge")[1] == 4
    toy.block_kinds[0] = p.BlockKind.SCREW
    assert figure(figures(toy), "wire_gauge")[1] == 0


def test_switch_with_its_largest_supply_lost_and_measured() -> None:
    toy = ToyPlant()
    switch = toy.add(
        "switches", budget_w=130.0, budget_one_lost_w=30.0, power_supplies_max=2, power_supply_count=2
    )
    for number in (1, 2):
        port = toy.add("ports", switch_index=switch, number=number)
        toy.add("endpoints", port_index=port, poe_class=-1)
    toy.add("ports", switch_index=switch, number=3, other_load=True, other_power_w=7.0)
    toy.add("poe_readings", switch_index=switch, reading_id=77, power_w=110.0, step=3)
    found = figures(toy, 2)
    assert figure(found, "poe_allocated")[1] == pytest.approx(15.4 * 2 + 7)
    assert figure(found, "poe_one_supply_lost")[4] is Verdict.PAST
    assert not has(found, "poe_measured")
    assert figure(figures(toy, 3), "poe_measured")[1:] == pytest.approx((110, 110, 104, Verdict.PAST))


def test_factors_are_editable_and_unknown_ones_are_refused() -> None:
    toy = chain_plant()
    toy.factors = Factors().with_values({"loading_fraction": 0.5})
    assert figure(figures(toy), "supply_current")[3] == pytest.approx(1.0)
    with pytest.raises(ValueError, match="no such factor: loading_fractoin"):
        Factors().with_values({"loading_fractoin": 1.0})


def test_bases_of_the_record_and_the_core_agree() -> None:
    assert [b.value for b in Basis] == [UNKNOWN, GUESSED, DRAWING, MARKED, MEASURED]


def test_currents_stay_in_order_where_the_high_estimate_has_no_solution() -> None:
    toy = ToyPlant()
    model = toy.model(
        idle_current_a=NAN,
        full_output_current_a=NAN,
        full_output_power_w=27.0,
        idle_power_w=1.0,
        minimum_voltage_v=6.0,
    )
    run = toy.run(supply_index=toy.add("supplies"))
    toy.chain(
        run,
        1,
        model_index=model,
        cable_index=toy.cable(),
        length_m=60.0,
        length_basis=MEASURED,
        current_basis=MARKED,
    )
    found = figures(toy)
    voltage, current = figure(found, "run_voltage"), figure(found, "conductor_current")
    assert voltage[1] > 6.0
    assert np.isnan(voltage[2])
    assert current[0] < current[1] <= current[2]


def test_a_speaker_without_a_recorded_impedance_leaves_the_load_of_an_amplifier_open() -> None:
    """8 Ω and one that is not recorded: 8 Ω at most, so a minimum of 4 Ω may be past. Nothing recorded, or no
    minimum: no number, or no limit, though the amplifier could drive a 70.7 V line too."""
    toy = ToyPlant()
    lowest = toy.add("amplifiers", minimum_impedance_ohm=4.0)
    run = toy.run(kind=p.RunKind.LOW_IMPEDANCE, amplifier_index=lowest)
    toy.chain(run, 1, model_index=toy.model(nominal_impedance_ohm=8.0), cable_index=toy.cable(), length_m=1.0)
    toy.chain(run, 1, model_index=toy.model(), cable_index=0, length_m=1.0)
    found = figures(toy)
    assert figure(found, "line_impedance")[:4] == pytest.approx((8.0, 8.0, 8.0, 4.0))
    assert figure(found, "line_impedance")[4] is Verdict.CANNOT_TELL
    toy.models[0]["nominal_impedance_ohm"] = NAN
    assert np.isnan(figure(figures(toy), "line_impedance")[1])
    toy.models[0]["nominal_impedance_ohm"] = toy.models[1]["nominal_impedance_ohm"] = 100.0
    toy.rows["amplifiers"][0]["minimum_impedance_ohm"] = NAN
    *_, limit, verdict = figure(figures(toy), "line_impedance")
    assert np.isnan(limit)
    assert verdict is Verdict.CANNOT_TELL


def test_a_thin_end_that_carries_nothing_leaves_nothing_open() -> None:
    """A bare end of 26 AWG, whose rating is not known, behind the last of four speakers of 50 mA."""
    toy = chain_plant(4)
    toy.chain(0, 1, parent=3, kind=p.PointKind.SPLICE, count_low=0.0, count_likely=0.0, count_high=0.0,
              cable_index=toy.cable(gauge_awg=26.0), length_m=5.0, length_basis=MEASURED)  # fmt: skip
    assert figure(figures(toy), "conductor_current")[:4] == pytest.approx((0.19, 0.2, 0.21, 1.0))
    assert figure(figures(toy), "conductor_current")[4] is Verdict.WITHIN


def test_a_fuse_of_a_run_that_nothing_is_known_to_feed_has_no_current() -> None:
    toy = chain_plant(4)
    toy.rows["runs"][0] |= {"supply_index": -1, "fuse_fitted": 1, "fuse_rating_a": 1.0}
    assert not has(figures(toy), "run_current")


def test_a_speaker_with_a_zone_on_a_run_without_one_is_not_in_another() -> None:
    toy = chain_plant(2)
    toy.rows["runs"][0]["zone_id"] = -1
    toy.rows["points"][1]["zone_id"] = 2
    assert not has(figures(toy), "other_zone")


def test_a_battery_has_its_lowest_voltage_under_load() -> None:
    """21 V, and no more is lost in the (24 − 23) V / 2 A of the supply."""
    toy = chain_plant(1)
    toy.rows["supplies"][0] |= {"lowest_voltage_v": 21.0, "rated_load_voltage_v": 23.0}
    assert figure(figures(toy), "run_voltage")[1] == pytest.approx(
        21 - 0.05 * 2 * OHM_PER_M_24 * 10, abs=1e-4
    )
