"""A counted group of devices at one point is not a guess: worked by hand.

Bands of a basis are common practice, no source.
"""

from __future__ import annotations

import pytest

from tests.zones.electrical.judged import CODES, GUESSED, MEASURED, chain_plant, figure, figures
from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.calibration import anchor
from zones.electrical.point_loads import point_loads


def group_of(least: float, likely: float, most: float, *, basis: int = MEASURED) -> ToyPlant:
    """One speaker of guessed 50 mA, and a group of speakers of 50 mA behind it."""
    toy = chain_plant(1, current_basis=GUESSED)
    toy.chain(
        0, 1, parent=0, kind=p.PointKind.UNCOUNTED_GROUP, model_index=0, cable_index=0, length_m=0.0,
        length_basis=MEASURED, current_basis=basis, speech_current_a=0.05,
        count_low=least, count_likely=likely, count_high=most,
    )  # fmt: skip
    return toy


def supported(toy: ToyPlant) -> float:
    found = figures(toy)
    (row,) = (found.rule == CODES.index("supply_current")).nonzero()[0]
    return float(found.supported[row])


def test_a_counted_and_measured_group_counts_as_measured() -> None:
    assert supported(group_of(2, 2, 2)) == pytest.approx(2 / 3)  # 0.10 of 0.15 A
    assert supported(group_of(1, 2, 4)) == 0.0
    assert supported(group_of(2, 2, 2, basis=GUESSED)) == 0.0


def test_a_reading_leaves_a_counted_and_measured_group_as_it_is() -> None:
    """Read at 0.17 A: 0.10 A ± 5 % of the group stay, the guessed speaker has 0.07 A."""
    toy = group_of(2, 2, 2)
    toy.add("readings", step=3, value=0.17, instrument_error=0.0)
    plant = toy.build()
    loads = anchor(plant, point_loads(plant)).loads
    assert loads.speech_a[:, 1] == pytest.approx([0.095, 0.10, 0.105])
    assert loads.speech_a[:, 0] == pytest.approx([0.065, 0.07, 0.075])  # off by the group's 0.005 A


def test_a_reading_scales_a_counted_group_of_guessed_devices() -> None:
    # all three guessed: 0.15 A, read at 0.18 A
    toy = group_of(2, 2, 2, basis=GUESSED)
    toy.add("readings", step=3, value=0.18)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(0.18)
