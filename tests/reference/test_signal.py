"""What a zone carries: speech, half of full output, or tones, full output. Currents worked by hand.

Half of full output at speech is common practice, without a source; full output is the data sheet's.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import MEASURED, figure, figures, has
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.plant import Signal
from zones.electrical.self_amplified import FULL_OUTPUT
from zones.electrical.verdicts import Verdict

OHM_PER_M_24 = 25.67 / 304.8  # ASTM B258, printed
PAST, NEAR, WITHIN = Verdict.PAST, Verdict.NEAR, Verdict.WITHIN
UNKNOWN = 0


def hall(*signals: int, count: int = 54, model: dict[str, float] | None = None, **point: Any) -> ToyPlant:
    """A 2 A supply, and a zone a signal with speakers of 50 mA at full output, 15 mA idle, 0 m away."""
    toy = ToyPlant()
    toy.model(**(model or {}))
    toy.cable()
    toy.add("supplies")
    facts = {
        "model_index": 0,
        "cable_index": 0,
        "length_m": 0.0,
        "length_basis": MEASURED,
        "current_basis": MEASURED,
    }
    for zone, signal in enumerate(signals, start=1):
        toy.add("zones", zone_id=zone, signal=signal)
        toy.chain(toy.run(supply_index=0, zone_id=zone), count, **(facts | point))
    return toy


@pytest.mark.parametrize(
    ("signal", "likely_a", "verdict"),
    [(Signal.SPEECH, 1.35, WITHIN), (-1, 1.35, WITHIN), (Signal.TONES, 2.70, PAST)],
)
def test_a_zone_of_tones_pages_at_full_output(signal: int, likely_a: float, verdict: Verdict) -> None:
    """54 speakers at 25 mA of speech are 1.35 A, at 50 mA 2.70 A; measured, ± 5 %; limit 2 A × 0.8 = 1.60 A.
    What is not recorded counts as speech."""
    toy = hall(signal)
    low, likely, high, limit, judged = figure(figures(toy), "supply_current")
    assert (low, likely, high, limit) == pytest.approx((0.95 * likely_a, likely_a, 1.05 * likely_a, 1.6))
    assert judged is verdict


def test_the_signal_is_that_of_each_day() -> None:
    """27 speakers: 27 × 25 mA = 0.675 A at speech, from step 5 on 27 × 50 mA = 1.35 A."""
    toy = hall(Signal.SPEECH, Signal.SPEECH, count=27)
    toy.rows["runs"][1]["supply_index"] = -1
    toy.rows["zones"][0]["end"] = 5
    toy.add("zones", step=5, zone_id=1, signal=Signal.TONES)
    assert figure(figures(toy, step=4), "supply_current")[1] == pytest.approx(0.675)
    assert figure(figures(toy, step=5), "supply_current")[1] == pytest.approx(1.35)


def test_only_groups_with_runs_of_the_zone_have_the_step_of_its_signal() -> None:
    toy = hall(Signal.SPEECH, count=1)
    toy.chain(toy.run(supply_index=toy.add("supplies"), zone_id=2), 1, model_index=0, cable_index=0)
    toy.add("zones", step=1, end=7, zone_id=2, signal=Signal.SPEECH)
    toy.rows["zones"][0]["end"] = 5
    toy.add("zones", step=5, zone_id=1, signal=Signal.TONES)
    toy.add("zones", step=7, zone_id=2, signal=Signal.TONES)
    toy.rows["zones"][1]["begin"] = 3  # it begins without a signal that was another one before
    toy.add("zones", step=9, end=11, zone_id=3, signal=Signal.TONES)  # comes and goes
    plant = toy.build()
    groups = plant.supplies.group[np.argsort(plant.supplies.supply_index)]
    position, step = plant.steps_of_groups(groups)
    assert list(zip(position.tolist(), step.tolist(), strict=True)) == [(0, 1), (0, 5), (1, 1), (1, 7)]


def test_a_zone_of_tones_is_idle_while_another_pages() -> None:
    """Ten speakers each: zone 1 speaks, 10 × 25 mA, with zone 2 idle, 10 × 15 mA; zone 2 chimes, 10 × 50 mA,
    with zone 1 idle."""
    toy = hall(Signal.SPEECH, Signal.TONES, count=10)
    toy.add("paging", set_id=5, zone_id=1)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(10 * 0.050 + 10 * 0.015)
    toy.rows["zones"][1]["signal"] = Signal.SPEECH
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(10 * 0.025 + 10 * 0.015)


def test_every_limit_of_the_run_is_judged_at_the_signal_of_its_zone() -> None:
    """One speaker over 100 m of a pair of 24 AWG: 24 V − 2 × 25.67/304.8 Ω/m × 100 m × 50 mA."""
    toy = hall(Signal.TONES, count=1, length_m=100.0)
    toy.rows["runs"][0] |= {"fuse_fitted": 1, "fuse_rating_a": 1.0}
    found = figures(toy)
    assert figure(found, "run_voltage")[1] == pytest.approx(24 - 2 * OHM_PER_M_24 * 100 * 0.05, abs=1e-4)
    assert figure(found, "run_current")[1] == pytest.approx(0.05)
    assert figure(found, "conductor_current")[1] == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("model", "point", "likely_a"),
    [
        # the point's own 40 mA at speech say nothing of full output, which is the model's
        ({}, {"speech_current_a": 0.040}, 0.050),
        # no less than it draws at speech
        ({}, {"speech_current_a": 0.060}, 0.060),
        # no full output stated: what 40 mA at speech are half of
        ({"full_output_current_a": NAN, "speech_current_a": 0.040}, {}, 0.080),
        # 1.2 W at a stiff 24 V, 0 m away
        ({"full_output_current_a": NAN, "full_output_power_w": 1.2, "idle_power_w": 0.3}, {}, 0.050),
    ],
)
def test_full_output(model: dict[str, float], point: dict[str, float], likely_a: float) -> None:
    found = figures(hall(Signal.TONES, count=1, model=model, **point))
    assert figure(found, "supply_current")[1] == pytest.approx(likely_a)


def test_full_output_of_a_speaker_of_unknown_current_is_twice_its_speech() -> None:
    spoken = figure(figures(hall(Signal.SPEECH, count=1, current_basis=UNKNOWN)), "supply_current")
    toned = figure(figures(hall(Signal.TONES, count=1, current_basis=UNKNOWN)), "supply_current")
    assert toned[:3] == pytest.approx([2 * amps for amps in spoken[:3]])


def test_the_signal_is_that_of_the_runs_own_zone() -> None:
    """A run without a zone counts as speech; tones in zone 2 are none in zone 1."""
    toy = hall(Signal.SPEECH, Signal.TONES, count=1)
    toy.rows["runs"][1]["zone_id"] = -1
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(2 * 0.025)


# --- what no signal is recorded of: full output is advice ------------------------------------------------


def test_what_is_within_at_speech_is_near_at_full_output() -> None:
    """54 speakers are 1.35 A at speech, within 1.60 A, and 54 × 50 mA = 2.70 A during chimes: past what the
    supply stands, said as near, never past."""
    found = figures(hall(-1))
    assert figure(found, "supply_current")[4] is WITHIN
    low, likely, high, limit, verdict = figure(found, "supply_current_full_output")
    assert (low, likely, high, limit) == pytest.approx((0.95 * 2.70, 2.70, 1.05 * 2.70, 1.6))
    assert verdict is NEAR


def test_little_is_within_at_full_output() -> None:
    """Ten speakers are 0.5 A of 1.60 A."""
    assert figure(figures(hall(-1, count=10)), "supply_current_full_output")[1:] == pytest.approx(
        (0.5, 0.525, 1.6, WITHIN)
    )


@pytest.mark.parametrize("signal", [Signal.SPEECH, Signal.TONES])
def test_what_is_recorded_needs_no_advice(signal: int) -> None:
    found = figures(hall(signal))
    assert not any(has(found, code) for code in FULL_OUTPUT.values())


def test_each_zone_contributes_what_it_carries() -> None:
    """Ten speakers a zone: speech 10 × 25 mA, tones 10 × 50 mA, not recorded 10 × 50 mA; the supply bears on
    all three, the fuse and the conductors of each run on its own zone only."""
    toy = hall(Signal.SPEECH, Signal.TONES, -1, count=10)
    for run in toy.rows["runs"]:
        run |= {"fuse_fitted": 1, "fuse_rating_a": 1.0}
    found = figures(toy)
    assert figure(found, "supply_current_full_output")[1] == pytest.approx(0.25 + 0.50 + 0.50)
    assert figure(found, "supply_current")[1] == pytest.approx(0.25 + 0.50 + 0.25)
    for code in ("run_current", "conductor_current", "run_voltage"):
        assert [has(found, f"{code}_full_output", run) for run in range(3)] == [False, False, True]
    assert figure(found, "run_current_full_output", 2)[1] == pytest.approx(0.50)
    assert figure(found, "conductor_current_full_output", 2)[1] == pytest.approx(0.50)


def test_a_zone_is_idle_while_another_chimes() -> None:
    """Sets page apart: ten at 50 mA with ten idle at 15 mA."""
    toy = hall(-1, -1, count=10)
    toy.add("paging", set_id=5, zone_id=1)
    toy.add("paging", set_id=6, zone_id=2)
    assert figure(figures(toy), "supply_current_full_output")[1] == pytest.approx(0.50 + 0.15)


def test_voltage_at_full_output_of_the_run_and_of_those_that_its_supply_pulls_down() -> None:
    """2 A pull the supply from 24 V to 22 V: 1 Ω. One speaker a run over 100 m: the drop of 50 mA on the
    pair of the zone that nothing is recorded of, of 25 mA on that of speech; 75 mA through 1 Ω."""
    toy = hall(Signal.SPEECH, -1, count=1, length_m=100.0)
    loop = 2 * OHM_PER_M_24 * 100
    assert not has(figures(toy), "run_voltage_full_output", 0)
    assert figure(figures(toy), "run_voltage_full_output", 1)[1] == pytest.approx(24 - loop * 0.05, abs=1e-4)
    toy.rows["supplies"][0]["rated_load_voltage_v"] = 22.0
    found = figures(toy)
    terminal = 24 - 1.0 * 0.075
    assert figure(found, "run_voltage_full_output", 0)[1] == pytest.approx(terminal - loop * 0.025, abs=1e-4)
    assert figure(found, "run_voltage_full_output", 1)[1] == pytest.approx(terminal - loop * 0.05, abs=1e-4)


@pytest.mark.parametrize(
    ("code", "table", "missing"),
    [
        ("supply_current", "supplies", {"rated_current_a": NAN}),
        ("run_current", "runs", {"fuse_rating_a": NAN}),
        ("run_voltage", "supplies", {"no_load_voltage_v": NAN}),
    ],
)
def test_where_a_rating_is_missing_nothing_is_advised(
    code: str, table: str, missing: dict[str, float]
) -> None:
    toy = hall(-1, count=10)
    toy.rows["runs"][0] |= {"fuse_fitted": 1, "fuse_rating_a": 1.0}
    assert has(figures(toy), FULL_OUTPUT[code])
    toy.rows[table][0] |= missing
    found = figures(toy)
    assert has(found, code)
    assert not has(found, FULL_OUTPUT[code])


def test_what_collapses_at_full_output_is_advice_too() -> None:
    """54 × 50 mA over 100 m of a pair to the first: 16.84 Ω × 2.7 A is more than 24 V."""
    toy = hall(-1, count=1, length_m=100.0)
    toy.rows["points"][0] |= {"count_low": 54.0, "count_likely": 54.0, "count_high": 54.0}
    found = figures(toy)
    assert figure(found, "run_voltage_full_output")[4] is NEAR


def test_a_run_without_a_zone_has_no_signal_recorded() -> None:
    toy = hall(Signal.SPEECH, count=10)
    toy.rows["runs"][0]["zone_id"] = -1
    assert figure(figures(toy), "supply_current_full_output")[1] == pytest.approx(0.50)
