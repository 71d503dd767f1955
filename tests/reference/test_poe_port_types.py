"""What ports give by their type, and what other loads than endpoints need of them: worked by hand.

IEEE 802.3 clauses 33 and 145, from memory: at the switch class 3 has 15.4 W, class 4 30 W, class 5 45 W,
class 6 60 W; ports of types 1 to 4 give 15.4, 30, 60, 90 W.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.zones.electrical.judged import MEASURED, figure, figures, has
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.verdicts import Verdict

PAST, CANNOT_TELL, WITHIN, NEAR = Verdict.PAST, Verdict.CANNOT_TELL, Verdict.WITHIN, Verdict.NEAR
UNKNOWN = -1


def switch(budget_w: float, port_type: int = UNKNOWN) -> ToyPlant:
    toy = ToyPlant()
    toy.add("switches", budget_w=budget_w, port_type=port_type)
    return toy


def endpoint_on_port(toy: ToyPlant, poe_class: int, own_type: int = UNKNOWN, **facts: Any) -> None:
    port = toy.add("ports", switch_index=0, number=toy.counts["ports"] + 1, port_type=own_type)
    toy.add("endpoints", port_index=port, poe_class=poe_class, **facts)


def other_on_port(toy: ToyPlant, **facts: Any) -> int:
    return toy.add("ports", switch_index=0, number=toy.counts["ports"] + 1, other_load=True, **facts)


def test_no_more_is_allocated_than_a_port_of_its_type_gives() -> None:
    """Class 6 on type 2: 30 of 60 W; class 4 on type 1: 15.4 of 30 W; class 3 on type 4: 15.4 W; class 5
    on a port whose type is not recorded: 45 W. Together 30 + 15.4 + 15.4 + 45 = 105.8 W of 120 W;
    uncapped 150.4 W."""
    toy = switch(120.0)
    for poe_class, own_type in ((6, 2), (4, 1), (3, 4), (5, UNKNOWN)):
        endpoint_on_port(toy, poe_class, own_type)
    low, likely, high, limit, verdict = figure(figures(toy), "poe_allocated")
    assert [low, likely, high, limit] == pytest.approx([105.8] * 3 + [120.0])
    assert verdict is WITHIN


def test_what_was_negotiated_is_capped_in_each_estimate() -> None:
    """14.9 W by LLDP at a class 4 device over 60 m of 24 AWG, guessed: 42, 60, 90 m on two pairs are 3.5373,
    5.0532, 7.5798 Ω (ASTM B258: 25.67 Ω/1000 ft), so 15.227, 15.378, 15.642 W at the switch;
    type 1 gives 15.4 W."""
    toy = switch(1000.0, port_type=1)
    endpoint_on_port(toy, 4, negotiated_power_w=14.9, length_m=60.0, length_basis=1, cable_index=toy.cable())
    assert figure(figures(toy), "poe_allocated")[:3] == pytest.approx([15.227, 15.378, 15.4], rel=1e-4)


def test_the_budget_with_a_supply_lost_counts_the_same_allocation() -> None:
    toy = ToyPlant()
    toy.add(
        "switches",
        budget_w=65.0,
        budget_one_lost_w=32.0,
        power_supplies_max=2,
        power_supply_count=2,
        port_type=1,
    )
    for _ in range(2):
        endpoint_on_port(toy, 4)
    # 2 × 15.4 = 30.8 W of 32 W; by class it would be 60 W
    assert figure(figures(toy), "poe_one_supply_lost")[1:] == pytest.approx((30.8, 30.8, 32.0, NEAR))


def test_another_load_is_capped_at_the_type_of_its_port_too() -> None:
    """25 W recorded on type 1: 15.4 W; class 4 on type 2: 30 W."""
    toy = switch(1000.0)
    other_on_port(toy, other_power_w=25.0, port_type=1)
    other_on_port(toy, other_class=4, port_type=2)
    assert figure(figures(toy), "poe_allocated")[1] == pytest.approx(15.4 + 30.0)


@pytest.mark.parametrize(
    ("recorded_w", "poe_class", "port_type", "needed_w", "given_w", "verdict"),
    [
        (25.0, UNKNOWN, 1, 25.0, 15.4, PAST),
        (25.0, UNKNOWN, 2, 25.0, 30.0, WITHIN),
        (12.0, 4, 1, 12.0, 15.4, WITHIN),  # as recorded: what its class could ask for does not count
        (NAN, 4, 1, 30.0, 15.4, PAST),
        (NAN, 6, 3, 60.0, 60.0, WITHIN),
        (NAN, UNKNOWN, 1, 15.4, 15.4, WITHIN),  # a class not recorded is class 0
        (NAN, 4, UNKNOWN, 30.0, NAN, CANNOT_TELL),
    ],
)
def test_another_load_is_judged_by_the_type_of_its_port(
    recorded_w: float, poe_class: int, port_type: int, needed_w: float, given_w: float, verdict: Verdict
) -> None:
    toy = switch(1000.0, port_type)
    port = other_on_port(toy, other_power_w=recorded_w, other_class=poe_class)
    found = figures(toy)
    assert figure(found, "port_type", port)[:4] == pytest.approx([needed_w] * 3 + [given_w], nan_ok=True)
    assert figure(found, "port_type", port)[4] is verdict
    assert not has(found, "port_power", port)  # what it pages with: only an endpoint pages


def test_a_type_not_recorded_leaves_nothing_open_for_what_every_type_gives() -> None:
    toy = switch(1000.0)
    port = other_on_port(toy, other_power_w=15.4)
    assert not has(figures(toy), "port_type", port)


def test_no_load_on_a_port_is_judged_by_nothing() -> None:
    toy = switch(1000.0, port_type=1)
    port = toy.add("ports", switch_index=0, other_class=8, other_power_w=90.0)
    assert not has(figures(toy), "port_type", port)
    endpoint_on_port(toy, 3, length_basis=MEASURED)
    assert figure(figures(toy), "poe_allocated")[1] == pytest.approx(15.4)
