"""What a loop, a line and an input should read, worked by hand and by ngspice.

R' of copper: ASTM B258 and IEC 60028. Z = V²/P of a tap and the bridging of a source by inputs: audio
handbooks. The rest is Ohm's law. Bands by basis and the errors of instruments are common practice, no source.
"""

from __future__ import annotations

import math
import random
from typing import Any

import pytest

from tests.reference import ngspice as circuit
from tests.reference.random_trees import Tree
from tests.zones.electrical.judged import GUESSED, MEASURED
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.calibration import Anchoring, anchor
from zones.electrical.point_loads import point_loads

LOOP, LINE, LEVEL = p.ReadingKind.LOOP_RESISTANCE, p.ReadingKind.LINE_IMPEDANCE, p.ReadingKind.LEVEL
ROOT_DB = 20 / math.log(10)


def pair_ohm_per_m(awg: int) -> float:
    """Out and back at 20 °C."""
    diameter_mm: float = 25.4 * 0.005 * 92.0 ** ((36 - awg) / 39)
    return 2 * (1 / 58) / (math.pi / 4 * diameter_mm**2)


def read(toy: ToyPlant) -> Anchoring:
    plant = toy.build()
    return anchor(plant, point_loads(plant))


def self_amplified(length_m: float, *, category: bool = False, **facts: Any) -> tuple[ToyPlant, int, int]:
    """A run with one speaker at its end."""
    toy = ToyPlant()
    run = toy.run(output_index=toy.add("outputs"), supply_index=toy.add("supplies"))
    cable = toy.cable(gauge_awg=24.0, category=category)
    (far,) = toy.chain(
        run, 1, cable_index=cable, length_m=length_m, length_basis=MEASURED, model_index=toy.model(), **facts
    )
    return toy, run, far


def test_a_shorted_pair_of_20_m_reads_3_369_ohm() -> None:
    """The check value of the domain: 3.369 Ω; a measured length is known to ± 2 %."""
    toy, run, far = self_amplified(20.0)
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=3.369, temperature_c=20.0)
    found = read(toy)
    assert found.expected[:, 0] == pytest.approx([3.369 * 0.98, 3.369, 3.369 * 1.02], rel=5e-4)
    assert found.excess[0] == 0.0


def test_a_loop_is_warm_and_of_one_pair_of_a_cable_that_may_have_more_resistance() -> None:
    """Two paralleled DC pairs do not make the audio pair thicker. At 35 °C copper has 1 + 0.00393 × 15 of
    its resistance at 20 °C; category cable at most 1.114 of its nominal (9.38 Ω/100 m, TIA-568)."""
    toy, run, far = self_amplified(20.0, category=True, dc_pairs=2)
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=3.6, temperature_c=35.0)
    warm = pair_ohm_per_m(24) * 20.0 * (1 + 0.00393 * 15)
    assert read(toy).expected[:, 0] == pytest.approx([warm * 0.98, warm, warm * 1.02 * 1.114])


def test_a_loop_leaves_out_what_is_beside_its_path() -> None:
    toy, run, first = self_amplified(10.0)
    cable = toy.rows["points"][0]["cable_index"]
    beside, far = (
        toy.add("points", run_index=run, parent_index=first, cable_index=cable, length_m=metres,
                length_basis=MEASURED)
        for metres in (70.0, 5.0)
    )  # fmt: skip
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=2.5, temperature_c=20.0)
    assert read(toy).expected[1, 0] == pytest.approx(pair_ohm_per_m(24) * 15.0)
    assert beside != far


@pytest.mark.parametrize(("value", "excess"), [(3.53, 0.0), (3.70, None), (3.10, None)])
def test_a_loop_reads_to_2_percent_and_a_tenth_of_an_ohm(value: float, excess: float | None) -> None:
    """Between 3.369 × 0.98 and 3.369 × 1.02 Ω, give or take 2 % of the reading and 0.1 Ω for the leads."""
    toy, run, far = self_amplified(20.0)
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=value, temperature_c=20.0)
    ohm, error = pair_ohm_per_m(24) * 20.0, value * 0.02 + 0.1
    outside = max(value - error - ohm * 1.02, ohm * 0.98 - value - error, 0.0)
    assert (outside == 0.0) == (excess == 0.0), "the case is what it is meant to be"
    assert read(toy).excess[0] == pytest.approx(outside)


@pytest.mark.parametrize("kind", [p.RunKind.CONSTANT_VOLTAGE, p.RunKind.LOW_IMPEDANCE])
def test_no_loop_is_expected_where_transformers_or_coils_lie_across_it(kind: int) -> None:
    toy = ToyPlant()
    run = toy.run(kind=kind, amplifier_index=toy.add("amplifiers"))
    (far,) = toy.chain(run, 1, length_m=20.0, length_basis=MEASURED, cable_index=toy.cable(), tap_power_w=5.0)
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=3.369)
    found = read(toy)
    assert math.isnan(found.expected[1, 0])
    assert math.isnan(found.excess[0])


def line(*taps_w: float, kind: int = p.RunKind.CONSTANT_VOLTAGE, **facts: Any) -> tuple[ToyPlant, int]:
    """Taps at the end of 100 m of 18 AWG, with no cable between them."""
    toy = ToyPlant()
    run = toy.run(kind=kind, amplifier_index=toy.add("amplifiers"))
    home = toy.add("points", run_index=run, kind=p.PointKind.SPLICE, count_low=0.0, count_likely=0.0,
                   count_high=0.0, length_m=100.0, length_basis=MEASURED,
                   cable_index=toy.cable(gauge_awg=18.0))  # fmt: skip
    for watts in taps_w:
        toy.add("points", run_index=run, parent_index=home, length_m=0.0, length_basis=MEASURED,
                cable_index=0, tap_power_w=watts, tap_basis=MEASURED, **facts)  # fmt: skip
    return toy, run


def test_the_taps_of_a_line_are_in_parallel_behind_its_cable() -> None:
    """1, 2 and 5 W at 70.7 V: 70.7² / 8 = 624.8 Ω behind 100 m of 18 AWG. Measured taps are known to ± 5 %,
    measured lengths to ± 2 %: the least is of long loads and short cable."""
    toy, run = line(1.0, 2.0, 5.0)
    toy.add("readings", step=3, kind=LINE, run_index=run, value=600.0, temperature_c=20.0)
    taps, cable = 70.7**2 / 8.0, pair_ohm_per_m(18) * 100.0
    assert read(toy).expected[:, 0] == pytest.approx(
        [taps / 1.05 + cable * 0.98, taps + cable, taps / 0.95 + cable * 1.02]
    )


def test_the_cable_of_a_line_is_as_warm_as_it_was_at_the_reading() -> None:
    """At 35 °C copper has 1 + 0.00393 × 15 of its resistance at 20 °C; taps are rated as they are."""
    toy, run = line(1.0, 2.0, 5.0)
    toy.add("readings", step=3, kind=LINE, run_index=run, value=600.0, temperature_c=35.0)
    cable = pair_ohm_per_m(18) * 100.0 * (1 + 0.00393 * 15)
    assert read(toy).expected[1, 0] == pytest.approx(70.7**2 / 8.0 + cable, rel=1e-6)


def test_a_line_of_8_ohm_speakers() -> None:
    toy, run = line(NAN, NAN, kind=p.RunKind.LOW_IMPEDANCE)
    eight = toy.model(nominal_impedance_ohm=8.0)
    for row in toy.rows["points"][1:]:
        row["model_index"] = eight
    toy.add("readings", step=3, kind=LINE, run_index=run, value=8.2, temperature_c=20.0)
    assert read(toy).expected[1, 0] == pytest.approx(4.0 + pair_ohm_per_m(18) * 100.0)


def test_no_impedance_is_expected_where_one_on_the_line_is_not_recorded() -> None:
    toy, run = line(NAN, NAN, kind=p.RunKind.LOW_IMPEDANCE)
    toy.rows["points"][1]["model_index"] = toy.model(nominal_impedance_ohm=8.0)
    toy.rows["points"][2]["model_index"] = toy.model()
    toy.add("readings", step=3, kind=LINE, run_index=run, value=8.2)
    assert math.isnan(read(toy).expected[1, 0])


def test_no_impedance_is_expected_of_a_line_without_a_speaker_or_an_amplifier() -> None:
    toy, run = line()
    toy.add("readings", step=3, kind=LINE, run_index=run, value=600.0)
    bare = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE)
    toy.chain(bare, 1, length_m=5.0, length_basis=MEASURED, tap_power_w=5.0, tap_basis=MEASURED)
    toy.add("readings", step=3, kind=LINE, run_index=bare, value=600.0)
    assert [math.isnan(each) for each in read(toy).expected[1]] == [True, True]


def test_a_line_reads_to_a_tenth() -> None:
    """8 W: 624.8 Ω and the cable's 4.2 Ω, most 70.7² / 8 / 0.95 + 4.28 = 662 Ω. 800 Ω, less a tenth of it, is
    past that by 58 Ω: a speaker is off."""
    toy, run = line(1.0, 2.0, 5.0)
    toy.add("readings", step=3, kind=LINE, run_index=run, value=800.0, temperature_c=20.0)
    most = 70.7**2 / 8.0 / 0.95 + pair_ohm_per_m(18) * 100.0 * 1.02
    assert read(toy).excess[0] == pytest.approx(800.0 * 0.9 - most)


@pytest.mark.parametrize(("inputs", "level"), [(1, -0.506), (10, -4.082)])
def test_a_600_ohm_output_bridged_by_inputs_of_10_kilohm(inputs: int, level: float) -> None:
    """Impedance bridging: the check values of the domain. Read 1 dB lower, half a decibel of it is the
    instrument's."""
    toy = ToyPlant()
    run = toy.run(output_index=toy.add("outputs", impedance_ohm=600.0))
    chain = toy.chain(run, inputs, length_m=0.0, length_basis=MEASURED, cable_index=toy.cable(),
                      model_index=toy.model(input_impedance_ohm=10_000.0))  # fmt: skip
    toy.add("readings", step=3, kind=LEVEL, run_index=run, point_index=chain[-1], value=level - 1.0)
    found = read(toy)
    assert found.expected[:, 0] == pytest.approx([level] * 3, abs=0.005)
    assert found.excess[0] == pytest.approx(0.5, abs=0.005)


def test_least_and_most_of_a_level() -> None:
    """An input of 100 Ω behind 600 Ω and 20 m of guessed 24 AWG, 14 to 30 m: the longer, the less."""
    toy = ToyPlant()
    run = toy.run(output_index=toy.add("outputs", impedance_ohm=600.0))
    (far,) = toy.chain(run, 1, length_m=20.0, length_basis=GUESSED, cable_index=toy.cable(),
                       model_index=toy.model(input_impedance_ohm=100.0))  # fmt: skip
    toy.add("readings", step=3, kind=LEVEL, run_index=run, point_index=far, value=-17.0)
    assert read(toy).expected[:, 0] == pytest.approx(
        [ROOT_DB * math.log(100 / (700 + pair_ohm_per_m(24) * metres)) for metres in (30.0, 20.0, 14.0)]
    )


def test_a_level_has_every_run_of_its_output_in_it() -> None:
    """Another run on the same output is a second 10 kΩ: 5000 / 5600."""
    toy = ToyPlant()
    output, model = toy.add("outputs", impedance_ohm=600.0), toy.model(input_impedance_ohm=10_000.0)
    bare: dict[str, Any] = {
        "length_m": 0.0,
        "length_basis": MEASURED,
        "cable_index": toy.cable(),
        "model_index": model,
    }
    run, other = toy.run(output_index=output), toy.run(output_index=output)
    (far,) = toy.chain(run, 1, **bare)
    toy.chain(other, 1, **bare)
    toy.add("readings", step=3, kind=LEVEL, run_index=run, point_index=far, value=-1.0)
    assert read(toy).expected[1, 0] == pytest.approx(ROOT_DB * math.log(5000 / 5600))


def test_no_level_is_expected_beside_an_input_that_is_not_recorded() -> None:
    toy, run, far = self_amplified(10.0)
    toy.chain(run, 1, parent=far, length_m=5.0, length_basis=MEASURED,
              model_index=toy.model(input_impedance_ohm=NAN))  # fmt: skip
    toy.add("readings", step=3, kind=LEVEL, run_index=run, point_index=far, value=-1.0)
    assert math.isnan(read(toy).expected[1, 0])


def test_what_is_expected_is_of_the_day_it_was_read_on() -> None:
    """Before step 5 the run was 20 m long, after it 30 m. At step 3 its far end was not there yet."""
    toy, run, far = self_amplified(20.0)
    toy.change("points", far, step=5, length_m=30.0)
    late = toy.add("points", step=4, run_index=run, parent_index=far, length_m=1.0, length_basis=MEASURED,
                   cable_index=0)  # fmt: skip
    for step, point in ((3, far), (5, far), (3, late)):
        toy.add("readings", step=step, kind=LOOP, run_index=run, point_index=point, value=3.0,
                temperature_c=20.0, reading_id=len(toy.rows["readings"]))  # fmt: skip
    found = read(toy)
    expected = dict(zip(found.readings.reading_id.tolist(), found.expected[1].tolist(), strict=True))
    assert expected[0] == pytest.approx(pair_ohm_per_m(24) * 20.0)
    assert expected[1] == pytest.approx(pair_ohm_per_m(24) * 30.0)
    assert math.isnan(expected[2])


def test_an_instrument_s_own_error_goes_before_the_usual_one() -> None:
    toy, run, far = self_amplified(20.0)
    toy.add("readings", step=3, kind=LOOP, run_index=run, point_index=far, value=4.0, instrument_error=0.001)
    toy.add("readings", step=3, kind=LEVEL, run_index=run, point_index=far, value=-3.0, instrument_error=0.1)
    assert read(toy).error.tolist() == pytest.approx([4.0 * 0.001 + 0.1, 0.1])


# --- ngspice ---------------------------------------------------------------------------------------------

TREES = 200
METER_OHM = 10.0
"""A meter: a source of 1 V behind so much. What it sees follows from the voltage at its clips."""


class _Drawn:
    """A random tree of cable with the facts of its points, and what a meter is clipped on."""

    def __init__(self, draw: random.Random) -> None:
        self.parent = [-1]
        self.length_m = [draw.uniform(5.0, 60.0)]
        for number in range(1, draw.randint(2, 30)):
            self.parent.append(number - 1 if draw.random() < 0.7 else draw.randrange(number))
            self.length_m.append(draw.uniform(3.0, 30.0))
        self.tap_w = [draw.choice((0.5, 1.0, 2.0, 5.0, 7.5, 15.0)) for _ in self.parent]
        self.target = draw.randrange(len(self.parent))

    def meter(self, ohm: list[float], conductance_s: list[float]) -> Tree:
        """The first point is where the meter's clips are."""
        none = [0.0] * (len(ohm) + 1)
        return Tree(1.0, METER_OHM, [-1, *(each + 1 for each in self.parent)], [0.0, *ohm], none, none,
                    [0.0, *conductance_s])  # fmt: skip


def _seen(voltages: list[float] | None) -> float:
    assert voltages is not None
    return METER_OHM * voltages[0] / (1.0 - voltages[0])


def test_loops_and_lines_of_random_trees_against_ngspice(ngspice: str) -> None:
    """The far end shorted by a nanohm; the taps as resistors. Guessed lengths, × 0.7 and × 1.5, and measured
    taps, ± 5 %: least and most as well as likely."""
    draw = random.Random(20_261_129)
    drawn = [_Drawn(draw) for _ in range(TREES)]
    toy = ToyPlant()
    gauge = 22
    cable = toy.cable(gauge_awg=float(gauge))
    for each in drawn:
        for kind, reading in ((p.RunKind.SELF_AMPLIFIED, LOOP), (p.RunKind.CONSTANT_VOLTAGE, LINE)):
            run = toy.run(kind=kind, amplifier_index=toy.add("amplifiers") if reading == LINE else -1)
            points: list[int] = []
            for parent, metres, watts in zip(each.parent, each.length_m, each.tap_w, strict=True):
                points.append(
                    toy.add("points", run_index=run, parent_index=points[parent] if parent >= 0 else -1,
                            length_m=metres, length_basis=GUESSED, cable_index=cable, tap_power_w=watts,
                            tap_basis=MEASURED)
                )  # fmt: skip
            toy.add("readings", step=3, kind=reading, run_index=run, value=1.0, temperature_c=20.0,
                    point_index=points[each.target] if reading == LOOP else -1,
                    reading_id=len(toy.rows["readings"]))  # fmt: skip
    found = read(toy)
    place = {reading_id: at for at, reading_id in enumerate(found.readings.reading_id.tolist())}

    trees = []
    for each in drawn:
        for times, loads in ((0.7, 1.05), (1.0, 1.0), (1.5, 0.95)):
            ohm = [pair_ohm_per_m(gauge) * metres * times for metres in each.length_m]
            short = [1e9 if number == each.target else 0.0 for number in range(len(ohm))]
            trees.append(each.meter(ohm, short))
            trees.append(each.meter(ohm, [watts * loads / 70.7**2 for watts in each.tap_w]))
    # nothing on these trees has several solutions, so what is under the clamp is a solution too
    answers = [_seen(one) for one in circuit.solve(ngspice, trees)]
    for number in range(TREES):
        loops, lines = answers[6 * number : 6 * number + 6 : 2], answers[6 * number + 1 : 6 * number + 6 : 2]
        assert found.expected[:, place[2 * number]] == pytest.approx(loops, rel=1e-6), f"loop {number}"
        assert found.expected[:, place[2 * number + 1]] == pytest.approx(lines, rel=1e-6), f"line {number}"
