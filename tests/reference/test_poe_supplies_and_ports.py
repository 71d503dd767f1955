"""PoE budgets by the power supplies fitted, power by LLDP, port types: worked by hand.

IEEE 802.3 clauses 33, 145 and 79, from memory: class 3 has 15.4 W at the switch (44 V, 20 Ω), class 4 30 W
(50 V, 12.5 Ω); types 1 to 4 deliver 15.4, 30, 60, 90 W; LLDP says power at the device's input.
P_PSE = V·(V − √(V² − 4·R·P_PD)) / 2R. 24 AWG has 25.67 Ω/1000 ft at 20 °C (ASTM B258): 60 m out and back over
two pairs are 2 × 25.67/304.8 × 60 / 2 = 5.0532 Ω.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from tests.zones.electrical.judged import GUESSED, MEASURED, figure, figures, has
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.verdicts import Verdict

PAST, CANNOT_TELL, WITHIN = Verdict.PAST, Verdict.CANNOT_TELL, Verdict.WITHIN
UNKNOWN = -1


def switch_with_210_w(**facts: Any) -> ToyPlant:
    """Seven ports of class 4: 7 × 30 W = 210 W."""
    toy = ToyPlant()
    switch = toy.add("switches", **({"budget_w": 370.0, "budget_one_lost_w": 185.0} | facts))
    for number in range(1, 8):
        port = toy.add("ports", switch_index=switch, number=number)
        toy.add("endpoints", port_index=port, poe_class=4)
    return toy


@pytest.mark.parametrize(
    ("takes", "fitted", "stated", "limit", "verdict"),
    [
        (2, 2, {}, 370.0, WITHIN),
        (2, 1, {}, 185.0, PAST),
        (2, 1, {"budget_one_lost_w": NAN}, NAN, CANNOT_TELL),
        (2, UNKNOWN, {}, NAN, CANNOT_TELL),
        (1, UNKNOWN, {"budget_one_lost_w": NAN}, 370.0, WITHIN),
        (UNKNOWN, 1, {}, NAN, CANNOT_TELL),
        (3, 3, {}, 370.0, WITHIN),
        (3, 2, {}, 185.0, PAST),
        (3, 1, {}, NAN, CANNOT_TELL),
        (1, 2, {"budget_one_lost_w": NAN}, NAN, CANNOT_TELL),
    ],
)
def test_the_budget_follows_the_power_supplies_fitted(
    takes: int, fitted: int, stated: dict[str, float], limit: float, verdict: Verdict
) -> None:
    """370 W with all power supplies, 185 W with one fewer; 210 W are allocated."""
    found = figures(switch_with_210_w(power_supplies_max=takes, power_supply_count=fitted, **stated))
    low, likely, high, judged_by, judged = figure(found, "poe_allocated")
    assert [low, likely, high] == pytest.approx([210.0] * 3)
    assert judged_by == pytest.approx(limit, nan_ok=True)
    assert judged is verdict


@pytest.mark.parametrize(
    ("takes", "fitted", "limit", "verdict"),
    [
        (2, 2, 185.0, PAST),
        (3, 3, 185.0, PAST),
        (3, 2, NAN, CANNOT_TELL),
        (2, UNKNOWN, NAN, CANNOT_TELL),
        (UNKNOWN, 2, NAN, CANNOT_TELL),
    ],
)
def test_one_supply_lost_of_two_or_more(takes: int, fitted: int, limit: float, verdict: Verdict) -> None:
    found = figures(switch_with_210_w(power_supplies_max=takes, power_supply_count=fitted))
    assert figure(found, "poe_one_supply_lost")[3] == pytest.approx(limit, nan_ok=True)
    assert figure(found, "poe_one_supply_lost")[4] is verdict


@pytest.mark.parametrize(("takes", "fitted"), [(2, 1), (3, 1), (1, 1), (1, UNKNOWN)])
def test_no_one_supply_lost_limit_with_fewer_than_two_fitted(takes: int, fitted: int) -> None:
    """Losing the only power supply loses all ports: there is no budget to judge by."""
    one_lost_w = 185.0 if takes > 1 else NAN
    toy = switch_with_210_w(power_supplies_max=takes, power_supply_count=fitted, budget_one_lost_w=one_lost_w)
    assert not has(figures(toy), "poe_one_supply_lost")


@pytest.mark.parametrize(
    ("takes", "one_lost_w", "asked"),
    [(2, NAN, True), (UNKNOWN, 185.0, True), (UNKNOWN, NAN, False), (1, NAN, False)],
)
def test_where_it_is_not_recorded_how_many_are_fitted(takes: int, one_lost_w: float, asked: bool) -> None:
    """A model that takes two, or states a budget with one fewer, may have another one to lose."""
    toy = switch_with_210_w(
        power_supplies_max=takes, power_supply_count=UNKNOWN, budget_one_lost_w=one_lost_w
    )
    found = figures(toy)
    assert has(found, "poe_one_supply_lost") is asked
    if asked:
        assert figure(found, "poe_one_supply_lost")[4] is CANNOT_TELL


def test_measured_power_is_judged_by_the_budget_of_the_supplies_fitted() -> None:
    """160 W of 370 × 0.8 = 296 W; from step 5 on one supply: of 185 × 0.8 = 148 W."""
    toy = switch_with_210_w(power_supplies_max=2, power_supply_count=2)
    toy.add("poe_readings", switch_index=0, reading_id=77, power_w=160.0)
    toy.change("switches", 0, step=5, power_supply_count=1)
    for step, limit, verdict in ((4, 296.0, WITHIN), (5, 148.0, PAST)):
        assert figure(figures(toy, step), "poe_measured")[3] == pytest.approx(limit)
        assert figure(figures(toy, step), "poe_measured")[4] is verdict


# --- power by LLDP ------------------------------------------------------------------------------------------


def one_endpoint(*, own_type: int = UNKNOWN, model_type: int = UNKNOWN, **endpoint: Any) -> ToyPlant:
    """On a port of a switch, over 60 m of 24 AWG unless said otherwise."""
    toy = ToyPlant()
    switch = toy.add("switches", budget_w=1000.0, port_type=model_type)
    port = toy.add("ports", switch_index=switch, port_type=own_type)
    facts = {"length_m": 60.0, "length_basis": MEASURED, "cable_index": toy.cable()}
    toy.add("endpoints", port_index=port, **(facts | endpoint))
    return toy


def by_hand_w(volts: float, ohm: float, at_device_w: float) -> float:
    return volts * (volts - math.sqrt(volts**2 - 4 * ohm * at_device_w)) / (2 * ohm)


def test_the_loss_of_its_own_cable_is_added_to_power_by_lldp() -> None:
    """10 W at a class 3 device: 44 × (44 − √(1936 − 202.13)) / 10.106 = 10.276 W at the switch. Measured, so
    98 to 102 % of the length: 4.9521 to 5.1543 Ω."""
    low, likely, high, *_ = figure(
        figures(one_endpoint(poe_class=3, negotiated_power_w=10.0)), "poe_allocated"
    )
    assert likely == pytest.approx(10.276, rel=1e-4)
    assert low == pytest.approx(by_hand_w(44, 4.9521, 10), rel=1e-4)
    assert high == pytest.approx(by_hand_w(44, 5.1543, 10), rel=1e-4)


def test_power_by_lldp_over_a_cable_of_unknown_length_loses_what_the_channel_does() -> None:
    """44 × (44 − √(1936 − 4 × 20 × 10)) / 40 = 44 × (44 − 33.7046) / 40 = 11.325 W."""
    toy = one_endpoint(poe_class=3, negotiated_power_w=10.0, length_m=NAN, length_basis=0)
    assert figure(figures(toy), "poe_allocated")[:3] == pytest.approx([11.325] * 3, rel=1e-4)


@pytest.mark.parametrize(
    ("poe_class", "lldp_w", "allocated_w"),
    [
        # class 3 may draw 12.95 W: 44 × (44 − √(1936 − 1036)) / 40 = 44 × 14 / 40
        (3, 14.0, 15.4),
        # class 4 may draw 25.5 W: 50 × (50 − √(2500 − 1275)) / 25 = 50 × 15 / 25
        (4, 60.0, 30.0),
        # the table rounds 39.94 W up to 40 W: by the formula 45.08 W, more than class 5 has
        (5, 40.0, 45.0),
        # not recorded, and more than class 0 may draw: class 4, 50 × (50 − √(2500 − 1075)) / 25
        (UNKNOWN, 21.5, 24.502),
        # not recorded, and no more than class 0 may draw: 44 × (44 − √(1936 − 800)) / 40
        (UNKNOWN, 10.0, 11.325),
        # no class may draw so much: class 8
        (UNKNOWN, 99.0, 90.0),
    ],
)
def test_power_by_lldp_counts_no_more_than_the_class_may_draw(
    poe_class: int, lldp_w: float, allocated_w: float
) -> None:
    toy = one_endpoint(poe_class=poe_class, negotiated_power_w=lldp_w, length_m=NAN, length_basis=0)
    assert figure(figures(toy), "poe_allocated")[1] == pytest.approx(allocated_w, rel=1e-4)


def test_power_by_lldp_that_the_cable_cannot_carry_counts_as_the_class() -> None:
    """2 km of 24 AWG on two pairs: 168 Ω; at 44 V no more than 44²/(4 × 168) = 2.9 W arrive."""
    toy = one_endpoint(poe_class=3, negotiated_power_w=10.0, length_m=2000.0)
    assert figure(figures(toy), "poe_allocated")[:3] == pytest.approx([15.4] * 3)


def test_other_loads_are_recorded_as_allocated_at_the_switch() -> None:
    toy = ToyPlant()
    switch = toy.add("switches", budget_w=1000.0)
    toy.add("ports", switch_index=switch, number=1, other_load=True, other_class=4, other_power_w=12.0)
    toy.add("ports", switch_index=switch, number=2, other_load=True, other_class=4)
    assert figure(figures(toy), "poe_allocated")[1] == pytest.approx(12.0 + 30.0)


# --- port types ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("poe_class", "port_type", "needed_w", "delivered_w", "verdict"),
    [
        (3, 1, 15.4, 15.4, WITHIN),
        (4, 1, 30.0, 15.4, PAST),
        (4, 2, 30.0, 30.0, WITHIN),
        (6, 2, 60.0, 30.0, PAST),
        (6, 3, 60.0, 60.0, WITHIN),
        (8, 3, 90.0, 60.0, PAST),
        (8, 4, 90.0, 90.0, WITHIN),
        (UNKNOWN, 1, 15.4, 15.4, WITHIN),
        (4, UNKNOWN, 30.0, NAN, CANNOT_TELL),
    ],
)
def test_a_port_delivers_no_more_than_its_type(
    poe_class: int, port_type: int, needed_w: float, delivered_w: float, verdict: Verdict
) -> None:
    found = figures(one_endpoint(poe_class=poe_class, model_type=port_type))
    assert figure(found, "port_type")[:4] == pytest.approx([needed_w] * 3 + [delivered_w], nan_ok=True)
    assert figure(found, "port_type")[4] is verdict


@pytest.mark.parametrize("poe_class", [1, 2, 3, UNKNOWN])
def test_every_type_delivers_what_classes_up_to_3_need(poe_class: int) -> None:
    assert not has(figures(one_endpoint(poe_class=poe_class)), "port_type")


@pytest.mark.parametrize(("own", "of_model", "verdict"), [(1, 2, PAST), (2, 1, WITHIN)])
def test_a_ports_own_type_goes_before_that_of_its_model(own: int, of_model: int, verdict: Verdict) -> None:
    found = figures(one_endpoint(poe_class=4, own_type=own, model_type=of_model))
    assert figure(found, "port_type")[4] is verdict


def test_the_type_is_that_of_the_switch_as_of_the_day() -> None:
    toy = one_endpoint(poe_class=4, model_type=2)
    toy.change("switches", 0, step=5, port_type=1)
    assert figure(figures(toy, 4), "port_type")[4] is WITHIN
    assert figure(figures(toy, 5), "port_type")[4] is PAST


def test_what_was_negotiated_is_needed_instead_of_the_class() -> None:
    """A class 4 device with 13 W by LLDP: 50 × (50 − √(2500 − 262.77)) / 10.106 = 13.361 W of 15.4 W."""
    found = figures(one_endpoint(poe_class=4, model_type=1, negotiated_power_w=13.0))
    assert figure(found, "port_type")[1] == pytest.approx(13.361, rel=1e-4)
    assert figure(found, "port_type")[4] is WITHIN


def test_what_it_pages_with_is_needed_where_that_is_more_than_was_negotiated() -> None:
    """20 W while it pages: 50 × (50 − √(2500 − 404.26)) / 10.106 = 20.881 W of 15.4 W."""
    toy = one_endpoint(poe_class=4, model_type=1, negotiated_power_w=13.0, paging_power_w=20.0)
    assert figure(figures(toy), "port_type")[1] == pytest.approx(20.881, rel=1e-4)
    assert figure(figures(toy), "port_type")[4] is PAST


def test_a_guessed_length_leaves_open_what_its_type_delivers() -> None:
    """14.9 W by LLDP over 42, 60, 90 m (3.5373, 5.0532, 7.5798 Ω): 15.227, 15.378, 15.642 W of 15.4 W."""
    toy = one_endpoint(poe_class=4, model_type=1, negotiated_power_w=14.9, length_basis=GUESSED)
    *needed, _, verdict = figure(figures(toy), "port_type")
    assert needed == pytest.approx([15.227, 15.378, 15.642], rel=1e-4)
    assert verdict is CANNOT_TELL


def test_more_power_by_lldp_than_the_class_may_draw_is_capped_at_the_device() -> None:
    """Class 3 may draw 12.95 W, whatever was negotiated. A cable of no length loses nothing."""
    toy = ToyPlant()
    port = toy.add("ports", switch_index=toy.add("switches"))
    toy.add("endpoints", port_index=port, poe_class=3, negotiated_power_w=25.5, length_m=0.0)
    assert figure(figures(toy), "poe_allocated")[1] == pytest.approx(12.95)
