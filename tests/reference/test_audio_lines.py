"""Audio lines against handbook practice: constant-voltage taps, loss of a long line, bridging, reference
level.

Sources: audio handbooks (from memory); ASTM B258 with IEC 60028 for the wire.
"""

from __future__ import annotations

import pytest

from tests.zones.electrical.plants import ToyPlant
from zones.electrical import audio_lines
from zones.electrical.bands import Basis
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members, RunKind
from zones.electrical.verdicts import Rule

FOOT = 0.3048


@pytest.mark.parametrize(("tap_w", "ohm"), [(1, 5000), (2, 2500), (5, 1000), (10, 500), (100, 50)])
def test_taps_at_70_7_volts(tap_w: float, ohm: float) -> None:
    assert float(audio_lines.tap_impedance_ohm(70.7, tap_w)) == pytest.approx(ohm, rel=1e-3)


def test_100_w_behind_500_ft_of_18_awg() -> None:
    """6.385 Ω/1000 ft, out and back: 78.6 W reach the tap, −1.044 dB (computed from ASTM B258 and Z =
    V²/P)."""
    toy = ToyPlant()
    model, cable = toy.model(), toy.cable(gauge_awg=18.0)
    run = toy.run(kind=RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers", rated_power_w=250.0))
    toy.chain(
        run,
        1,
        model_index=model,
        cable_index=cable,
        length_m=500 * FOOT,
        length_basis=int(Basis.MEASURED),
        tap_power_w=100.0,
        tap_basis=int(Basis.MEASURED),
    )
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("line_loss", near_margin=2.0)])
    assert found.likely[0] == pytest.approx(1.044, abs=5e-4)
    assert 100 * 10 ** (-found.likely[0] / 10) == pytest.approx(78.6, rel=5e-3)


def _bridged(inputs: int, source_ohm: float = 600.0, input_ohm: float = 10_000.0) -> float:
    toy = ToyPlant()
    model = toy.model(input_impedance_ohm=input_ohm)
    run = toy.run(output_index=toy.add("outputs", impedance_ohm=source_ohm))
    toy.chain(run, inputs, model_index=model, length_m=0.0, length_basis=int(Basis.MEASURED))
    plant = toy.build()
    return float(evaluate(plant, Members.of_sites(plant, 1), [Rule("audio_level", at_least=True)]).likely[0])


@pytest.mark.parametrize(("inputs", "level_db"), [(1, -0.506), (10, -4.082)])
def test_a_600_ohm_source_bridged_by_10_kilohm_inputs(inputs: int, level_db: float) -> None:
    """Impedance bridging: 20·log10(Zin/n / (Zin/n + 600))."""
    assert _bridged(inputs) == pytest.approx(level_db, abs=0.005)


def test_the_17th_speaker_takes_a_600_ohm_source_past_6_db() -> None:
    assert _bridged(16) > -6.0 > _bridged(17)
