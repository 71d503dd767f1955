"""Copper gains and loses 0.393 % of its resistance at 20 °C a kelvin (IEC 60028), but the high estimate
counts on cold only where somebody recorded that the whole run is cold (common practice, no source)."""

from __future__ import annotations

import math

import pytest

from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.bands import Basis
from zones.electrical.evaluate import evaluate
from zones.electrical.network_power import PSE_POWER_W
from zones.electrical.plant import Members, RunKind
from zones.electrical.verdicts import Rule

AREA_24 = math.pi / 4 * (0.127 * 92 ** (12 / 39)) ** 2
"""mm² of 24 AWG (ASTM B258): 0.005 in is 0.127 mm."""
LOOP_100_M = 2 * 100 / 58 / AREA_24
"""Ω out and back over 100 m at 20 °C, 1/58 Ω·mm²/m (IEC 60028): 16.8 Ω."""
AT_MINUS_25 = 1 - 0.00393 * 45
"""0.823: 18 % less than at 20 °C."""
AT_35 = 1 + 0.00393 * 15


def _voltage(*, site_c: float, run_c: float = NAN, step: int = 1) -> list[float]:
    """Low, likely and high voltage behind 100 m of one pair, 0.2 A, both exactly known, at 24 V."""
    toy = ToyPlant(temperature_c=site_c)
    toy.factors = toy.factors.with_values(
        {f"{of}_measured_{end}": 1.0 for of in ("length", "current") for end in ("low", "high")}
    )
    run = toy.run(supply_index=toy.add("supplies"), design_temperature_c=run_c)
    toy.chain(
        run, 1, model_index=toy.model(speech_current_a=0.2), cable_index=toy.cable(), length_m=100.0,
        length_basis=int(Basis.MEASURED), current_basis=int(Basis.MEASURED), design_temperature_c=run_c,
    )  # fmt: skip
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, step), [Rule("run_voltage", at_least=True)])
    return [found.low[0], found.likely[0], found.high[0]]


@pytest.mark.parametrize(
    ("site_c", "run_c", "copper"),
    [
        (-25.0, NAN, (AT_MINUS_25, AT_MINUS_25, 1.0)),
        (-25.0, -25.0, (AT_MINUS_25, AT_MINUS_25, AT_MINUS_25)),
        (-25.0, 35.0, (AT_35, AT_35, AT_35)),
        (35.0, NAN, (AT_35, AT_35, AT_35)),
        (35.0, -25.0, (AT_MINUS_25, AT_MINUS_25, AT_MINUS_25)),
    ],
    ids=["cold store", "its blast freezer alone", "by way of its plant room", "plant room", "to a freezer"],
)
def test_the_high_estimate_counts_on_no_cold_but_the_runs_own(
    site_c: float, run_c: float, copper: tuple[float, ...]
) -> None:
    expected = [24 - 0.2 * LOOP_100_M * each for each in copper]
    assert _voltage(site_c=site_c, run_c=run_c) == pytest.approx(expected, abs=1e-4)


def test_a_line_through_a_cold_store_loses_at_20_degrees_in_the_high_estimate() -> None:
    """70.7 V² / 20 W = 249.9 Ω behind 100 m: 20·log10(1 + R/249.9)."""
    toy = ToyPlant(temperature_c=-25.0)
    run = toy.run(kind=RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers"))
    toy.chain(
        run, 1, model_index=toy.model(), cable_index=toy.cable(), length_m=100.0, tap_power_w=20.0,
        length_basis=int(Basis.MEASURED), tap_basis=int(Basis.MEASURED),
    )  # fmt: skip
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("line_loss", near_margin=2.0)])
    tap_ohm = 70.7**2 / 20
    assert found.likely[0] == pytest.approx(20 * math.log10(1 + LOOP_100_M * AT_MINUS_25 / tap_ohm), abs=1e-4)
    high = 20 * math.log10(1 + 1.02 * LOOP_100_M / (tap_ohm / 1.05))
    assert found.high[0] == pytest.approx(high, abs=1e-4)


def test_the_data_cable_of_a_cold_store_is_warm_in_the_high_estimate_too() -> None:
    """12.95 W over 60 m of two pairs at 44 V: P = V·(V − √(V² − 4·R·P))/2R (IEEE 802.3)."""
    toy = ToyPlant(temperature_c=-25.0)
    port = toy.add("ports", switch_index=toy.add("switches"))
    toy.add(
        "endpoints", port_index=port, paging_power_w=12.95, length_m=60.0, cable_index=toy.cable(),
        length_basis=int(Basis.MEASURED),
    )  # fmt: skip
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("port_power")])

    def watts(length_m: float, copper: float) -> float:
        ohm: float = LOOP_100_M * length_m / 100 * copper / 2
        return 44 * (44 - math.sqrt(44 * 44 - 4 * ohm * 12.95)) / (2 * ohm)

    assert found.likely[0] == pytest.approx(watts(60, AT_MINUS_25), abs=1e-4)
    assert found.high[0] == pytest.approx(watts(60 * 1.02, 1.0), abs=1e-4)
    assert found.limit[0] == PSE_POWER_W[3]
