"""Audio level of inputs that need different levels: worked by hand.

Voltage dividers: an output of 600 Ω and 1 V unloaded, inputs that bridge its line, 24 AWG with 25.67 Ω/1000
ft at 20 °C (ASTM B258), so 2 × 25.67/304.8 = 0.168438 Ω of a pair a metre. Level is 20·log10 of the voltage
(audio handbooks, from memory). −6 dB and near at −3 dB: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.zones.electrical.judged import GUESSED, MEASURED
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.evaluate import Evaluation, evaluate
from zones.electrical.plant import Members
from zones.electrical.verdicts import Rule, Verdict

OHM_PER_M = 2 * 25.67 / 304.8
RULE = Rule("audio_level", at_least=True, near_margin=3.0)


def output(impedance_ohm: float = 600.0, level_v: float = 1.0) -> ToyPlant:
    toy = ToyPlant()
    toy.cable()
    toy.run(output_index=toy.add("outputs", impedance_ohm=impedance_ohm, level_v=level_v))
    return toy


def input_at(
    toy: ToyPlant,
    length_m: float,
    input_ohm: float,
    sensitivity_v: float = NAN,
    *,
    basis: int = MEASURED,
    parent: int = -1,
) -> int:
    """A speaker's input on a branch of its own; returns its id."""
    model = toy.model(input_impedance_ohm=input_ohm, input_sensitivity_v=sensitivity_v)
    (point,) = toy.chain(
        0, 1, parent=parent, model_index=model, cable_index=0, length_m=length_m, length_basis=basis
    )
    return point + 1000


def judged(toy: ToyPlant) -> Evaluation:
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [RULE])
    assert len(found) == 1
    return found


def db(ratio: float) -> float:
    return 20 * math.log10(ratio)


def divided(own: float, own_cable: float, other: float) -> float:
    """The level at an input of ``own`` Ω behind ``own_cable`` Ω, beside a branch of ``other`` Ω in all."""
    both = 1 / (1 / (own_cable + own) + 1 / other)
    return db(both / (600 + both) * own / (own_cable + own))


def test_an_input_that_needs_more_is_judged_though_another_gets_less() -> None:
    """The near one, 10 kΩ at the output, needs 0.9 V: 20·log10 0.9 = −0.915 dB. The far one, 5 kΩ behind 1000
    m (168.44 Ω), needs nothing that is known, so −6 dB. Together 1/(1/10000 + 1/5168.44) = 3407.3 Ω: 0.85028
    V at the near one, −1.409 dB, past; 0.82257 V at the far one, −1.697 dB, within."""
    toy = output()
    near = input_at(toy, 0.0, 10_000.0, 0.9)
    input_at(toy, 1000.0, 5_000.0)
    found = judged(toy)
    assert found.likely[0] == pytest.approx(-1.409, abs=1e-3)
    assert found.limit[0] == pytest.approx(-0.915, abs=1e-3)
    assert found.detail[0] == near
    assert found.verdict[0] == Verdict.PAST
    # the other branch shorter takes more: measured, 98 to 102 % of its length
    cable = OHM_PER_M * 1000
    assert found.high[0] == pytest.approx(divided(10_000, 0, 5_000 + 0.98 * cable), abs=1e-4)
    assert found.low[0] == pytest.approx(divided(10_000, 0, 5_000 + 1.02 * cable), abs=1e-4)
    assert (found.low_limit[0], found.high_limit[0]) == (found.limit[0], found.limit[0])


def test_an_input_with_a_low_sensitivity_does_not_decide_for_the_others() -> None:
    """The far one gets −4.3 dB and needs 0.05 V, −26 dB. The near one gets −3.7 dB, and nothing is known of
    what it needs: near, within 3 dB of −6 dB."""
    toy = output()
    near = input_at(toy, 0.0, 2_000.0)
    input_at(toy, 1000.0, 2_300.0, 0.05)
    found = judged(toy)
    by_hand = divided(2_000, 0, 2_300 + OHM_PER_M * 1000)
    assert -6 < by_hand < -3
    assert found.likely[0] == pytest.approx(by_hand, abs=1e-3)
    assert (found.limit[0], found.detail[0], found.verdict[0]) == (-6.0, near, Verdict.NEAR)


def test_sensitivity_means_nothing_where_the_outputs_level_is_not_recorded() -> None:
    toy = output(level_v=NAN)
    input_at(toy, 0.0, 10_000.0, 0.9)
    far = input_at(toy, 1000.0, 5_000.0, 0.9)
    found = judged(toy)
    assert found.likely[0] == pytest.approx(-1.697, abs=1e-3)
    assert (found.limit[0], found.detail[0], found.verdict[0]) == (-6.0, far, Verdict.WITHIN)


def test_each_estimate_has_the_limit_of_its_own_input() -> None:
    """The first is at the output, 100 Ω, and needs 0.786 V, −2.09 dB. The second, 2 kΩ, needs 0.6 V, −4.44
    dB, behind 3000 m of guessed cable: 353.7, 505.3, 758.0 Ω. By the dividers below the first is 1.66 dB
    above its need in the likely estimate and the second 2.05 dB; in the high one 1.64 dB and 1.25 dB."""
    toy = output(impedance_ohm=100.0)
    first = input_at(toy, 0.0, 10_000.0, 0.786)
    second = input_at(toy, 3000.0, 2_000.0, 0.6, basis=GUESSED)
    found = judged(toy)

    def of_first(cable: float) -> float:
        both = 1 / (1 / 10_000 + 1 / (2_000 + cable))
        return db(both / (100 + both))

    def of_second(cable: float) -> float:
        return of_first(cable) + db(2_000 / (2_000 + cable))

    short, likely, long = (OHM_PER_M * 3000 * times for times in (0.7, 1.0, 1.5))
    need_first, need_second = db(0.786), db(0.6)
    # kindest: the path short and the other branch long; the first has no path
    assert of_first(long) - need_first < of_second(short) - need_second
    assert of_first(likely) - need_first < of_second(likely) - need_second
    assert of_first(short) - need_first > of_second(long) - need_second
    assert [found.low[0], found.likely[0], found.high[0]] == pytest.approx(
        [of_first(long), of_first(likely), of_second(long)], abs=1e-3
    )
    assert [found.low_limit[0], found.limit[0], found.high_limit[0]] == pytest.approx(
        [need_first, need_first, need_second]
    )
    assert [found.low_detail[0], found.detail[0], found.high_detail[0]] == [first, first, second]


# --- impedances that are not recorded -----------------------------------------------------------------------


def test_an_output_whose_impedance_is_not_recorded_cannot_be_judged() -> None:
    toy = output(impedance_ohm=NAN)
    input_at(toy, 0.0, 10_000.0, 0.5)
    input_at(toy, 0.0, 10_000.0, 0.6)
    found = judged(toy)
    assert np.isnan([found.low[0], found.likely[0], found.high[0]]).all()
    assert found.limit[0] == pytest.approx(db(0.6))  # the one that is harder to stay above
    assert (found.detail[0], found.verdict[0]) == (-1, Verdict.CANNOT_TELL)


def test_an_output_on_which_no_inputs_impedance_is_recorded_cannot_be_judged() -> None:
    toy = output()
    input_at(toy, 0.0, NAN)
    found = judged(toy)
    assert np.isnan([found.low[0], found.likely[0], found.high[0]]).all()
    assert (found.limit[0], found.verdict[0]) == (-6.0, Verdict.CANNOT_TELL)


def test_with_one_input_not_recorded_the_level_is_known_from_above() -> None:
    """600 Ω into the 10 kΩ that are recorded: −0.506 dB (impedance bridging). The other can only lower it."""
    toy = output()
    input_at(toy, 0.0, 10_000.0)
    input_at(toy, 0.0, NAN)
    found = judged(toy)
    assert found.likely[0] == pytest.approx(-0.506, abs=5e-4)
    assert found.verdict[0] == Verdict.CANNOT_TELL
    assert found.bounds[0] == 0b111


def test_an_input_not_recorded_does_not_hide_that_the_others_are_past() -> None:
    """600 Ω into 500 Ω: 500/1100, −6.848 dB, whatever else is connected."""
    toy = output()
    input_at(toy, 0.0, 500.0)
    input_at(toy, 0.0, NAN)
    found = judged(toy)
    assert found.likely[0] == pytest.approx(-6.848, abs=1e-3)
    assert found.verdict[0] == Verdict.PAST
