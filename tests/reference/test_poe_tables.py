"""Power over the data cable against IEEE 802.3 clauses 33 and 145 (class table from memory of the
standard)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.zones.electrical.plants import ToyPlant
from zones.electrical import network_power
from zones.electrical.bands import Factors
from zones.electrical.conductors import loop_resistance_ohm
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members
from zones.electrical.verdicts import Rule, Verdict

# Clause 33 powers two pairs (classes 0 to 4), clause 145 all four for classes 5 to 8.
CLASSES = [  # class, PSE W, PD W, minimum PSE V, channel Ω, powered pairs
    (0, 15.4, 12.95, 44, 20.0, 2),
    (1, 4.0, 3.84, 44, 20.0, 2),
    (2, 7.0, 6.49, 44, 20.0, 2),
    (3, 15.4, 12.95, 44, 20.0, 2),
    (4, 30.0, 25.5, 50, 12.5, 2),
    (5, 45.0, 40.0, 50, 6.25, 4),
    (6, 60.0, 51.0, 50, 6.25, 4),
    (7, 75.0, 62.0, 52, 6.25, 4),
    (8, 90.0, 71.3, 52, 6.25, 4),
]


@pytest.mark.parametrize(("poe_class", "pse_w", "pd_w", "volts", "ohm", "pairs"), CLASSES)
def test_device_power_of_each_class_follows_from_source_power(
    poe_class: int, pse_w: float, pd_w: float, volts: float, ohm: float, pairs: int
) -> None:
    assert network_power.PSE_POWER_W[poe_class] == pse_w
    assert network_power.PD_POWER_W[poe_class] == pd_w
    assert network_power.PSE_MINIMUM_V[poe_class] == volts
    assert network_power.CHANNEL_RESISTANCE_OHM[poe_class] == ohm
    assert network_power.POWERED_PAIRS[poe_class] == pairs
    assert float(network_power.power_at_device(pse_w, volts, ohm)) == pytest.approx(pd_w, rel=2e-3)
    assert float(network_power.power_at_source(pd_w, volts, ohm)) == pytest.approx(pse_w, rel=4e-3)


@pytest.mark.parametrize(("poe_class", "pse_w", "pd_w", "volts", "ohm", "pairs"), CLASSES)
def test_what_a_port_of_each_class_must_put_in(
    poe_class: int, pse_w: float, pd_w: float, volts: float, ohm: float, pairs: int
) -> None:
    """P_PSE = V·(V − √(V² − 4·R·P_PD)) / 2R, of 60 m of 24 AWG at 40 °C, and of a cable of unknown length,
    which is no worse than the channel of the standard."""

    def by_hand_w(resistance_ohm: float) -> float:
        root = (volts**2 - 4 * resistance_ohm * pd_w) ** 0.5
        return float(volts * (volts - root) / (2 * resistance_ohm))

    toy = ToyPlant(temperature_c=40.0, factors=Factors(unknown_home_run_high_m=500.0))
    switch, cable = toy.add("switches", budget_w=1000.0), toy.cable()
    for number, length_m in enumerate((60.0, np.nan), 1):
        port = toy.add("ports", switch_index=switch, number=number)
        toy.add(
            "endpoints", port_index=port, poe_class=poe_class, paging_power_w=pd_w, cable_index=cable,
            length_m=length_m,
        )  # fmt: skip
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("port_power")])
    of_24_awg_ohm = 2 * 25.67 / 304.8 * 60 * (1 + 0.00393 * (40 - 20)) / pairs  # ASTM B258, IEC 60028
    assert found.likely[0] == pytest.approx(by_hand_w(of_24_awg_ohm), rel=1e-4)
    assert found.high[1] == pytest.approx(by_hand_w(ohm), rel=1e-9)
    assert found.limit.tolist() == [pse_w, pse_w]


def test_class_3_device_over_60_m_of_24_awg() -> None:
    """12.95 W over 60 m of 24 AWG on two pairs at 44 V takes 13.420 W (IEEE 802.3 formula, ASTM B258
    wire)."""
    ohm = loop_resistance_ohm(24, 60.0, parallel_pairs=2)
    assert float(network_power.power_at_source(12.95, 44.0, ohm)) == pytest.approx(13.420, rel=1e-3)


def test_source_and_device_power_are_each_others_inverse() -> None:
    power, volts, ohm = np.meshgrid([3.84, 12.95, 25.5, 71.3], [44.0, 50.0, 57.0], [0.0, 1.0, 6.25])
    assert network_power.power_at_device(
        network_power.power_at_source(power, volts, ohm), volts, ohm
    ) == pytest.approx(power, rel=1e-12)


@pytest.mark.parametrize(("ports", "verdict"), [(24, Verdict.NEAR), (25, Verdict.PAST)])
def test_24_class_3_ports_fit_370_w_and_a_25th_does_not(ports: int, verdict: Verdict) -> None:
    """IEEE 802.3: 24 × 15.4 W = 369.6 W of 370 W."""
    toy = ToyPlant()
    switch = toy.add("switches", budget_w=370.0)
    for number in range(ports):
        port = toy.add("ports", switch_index=switch, number=number + 1)
        toy.add("endpoints", port_index=port, poe_class=3)
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("poe_allocated")])
    assert found.likely.tolist() == pytest.approx([15.4 * ports])
    assert found.verdict.tolist() == [verdict]


def test_the_newest_low_priority_port_is_shed_first() -> None:
    """RFC 3621 priorities; order within a priority: common practice, no source ("expected")."""
    allocated = np.array([15.4, 30.0, 15.4, 15.4])
    priority, number = np.array([2, 0, 2, 1]), np.array([1, 9, 3, 2])
    shedding = network_power.expected_shedding(allocated, priority, number, 65.0)
    assert shedding.shed.tolist() == [False, False, True, False]
    assert shedding.remaining_w == pytest.approx(60.8)
