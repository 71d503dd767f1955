"""What a reading tells of the values that the record only guesses, and with what error, worked by hand.

The error of what is scaled = (the reading's error + half the width of what is not scaled) / the scaled part:
propagation of a worst-case error through a sum. Bands and the errors of readings are common practice, no
source. R' of a 24 AWG pair, out and back, at 20 °C: ASTM B258 and IEC 60028.
"""

from __future__ import annotations

import math

import pytest

from tests.zones.electrical.judged import DRAWING, GUESSED, MARKED, MEASURED, UNKNOWN, chain_plant
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.bands import DeviceKind
from zones.electrical.calibration import Anchoring, anchor
from zones.electrical.point_loads import point_loads

PAIR_OHM_PER_M = 2 * (1 / 58) / (math.pi / 4 * (25.4 * 0.005 * 92.0 ** ((36 - 24) / 39)) ** 2)
VOLTAGE = p.ReadingKind.END_VOLTAGE


def anchored(toy: ToyPlant) -> Anchoring:
    plant = toy.build()
    return anchor(plant, point_loads(plant))


def test_unknown_horns_read_at_0_95_a() -> None:
    """Five unknown horns, 0.12, 0.25, 0.50 A each, read at 0.95 A: 0.19 A each. All of it is scaled, so the
    error is that of the reading: 0.095 of 0.95 A."""
    toy = chain_plant(
        5, model_index=-1, device_kind=DeviceKind.HORN, current_basis=UNKNOWN, speech_current_a=NAN
    )
    toy.add("readings", step=3, value=0.95)
    found = anchored(toy)
    assert found.excess.tolist() == [0.0]
    assert found.spread[0] == pytest.approx(0.1)
    assert found.loads.speech_a.sum(axis=1) == pytest.approx([0.95 * 0.9, 0.95, 0.95 * 1.1])


def test_nine_marked_speakers_and_a_guessed_one_read_at_0_55_a() -> None:
    """Nine marked speakers of 50 mA ± 15 %: 0.3825, 0.45, 0.5175 A. The guessed one would have to draw 0.10 A
    and stops at 0.08 A (50 mA × 1.6). Its error is (0.055 + 0.0675) / 0.08 A = 153 %: the reading narrows
    nothing, and it may draw as little as its guess allows, 0.03 A."""
    toy = chain_plant(10, current_basis=MARKED)
    toy.rows["points"][9]["current_basis"] = GUESSED
    toy.add("readings", step=3, value=0.55)
    found = anchored(toy)
    assert found.spread[0] == pytest.approx((0.055 + (0.5175 - 0.3825) / 2) / 0.08)
    assert found.loads.speech_a[:, 9] == pytest.approx([0.03, 0.08, 0.08])
    assert found.loads.speech_a.sum(axis=1) == pytest.approx([0.3825 + 0.03, 0.45 + 0.08, 0.5175 + 0.08])


@pytest.mark.parametrize(
    ("stated", "error_v", "lengths"),
    [
        (NAN, 0.237, (10.5, 22.5)),  # (0.237 + 0.015) / 0.3 V = 84 %: the edges of the guess
        (0.001, 0.0237, None),  # (0.0237 + 0.015) / 0.3 V = 12.9 %
    ],
)
def test_a_drop_of_0_3_v(stated: float, error_v: float, lengths: tuple[float, float] | None) -> None:
    """One measured speaker of 0.1 A behind 15 m of guessed cable (10.5 to 22.5 m): 24.0 V at the block and
    23.7 V at the speaker are 0.3 / (0.1 × R') = 17.8 m. The current is known to ± 5 %: ± 0.015 V."""
    toy = chain_plant(1, length_m=15.0, length_basis=GUESSED, speech_current_a=0.1)
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=23.7, source_voltage_v=24.0,
            instrument_error=stated)  # fmt: skip
    found = anchored(toy)
    likely = 0.3 / (0.1 * PAIR_OHM_PER_M)
    error = (error_v + 0.3 * 0.05) / 0.3
    low, high = lengths or (likely * (1 - error), likely * (1 + error))
    assert found.spread[0] == pytest.approx(error)
    assert found.loads.length_m[:, 0] == pytest.approx([low, likely, high])
    # one pair of one gauge: the resistance goes with the length
    assert found.loads.loop_resistance_ohm == pytest.approx(PAIR_OHM_PER_M * found.loads.length_m)


def test_the_width_of_the_voltage_has_loads_and_source_in_it() -> None:
    """The same run behind a supply of 24 V ± 5 %, nothing measured at the block: 22.8 to 25.2 V, half of the
    width 1.2 V and 0.015 V. The point was read at 23.7 V ± 0.0237 V."""
    toy = chain_plant(1, length_m=15.0, length_basis=GUESSED, speech_current_a=0.1)
    toy.rows["supplies"][0]["voltage_tolerance"] = 0.05
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=23.7, instrument_error=0.001)
    assert anchored(toy).spread[0] == pytest.approx((0.0237 + 1.2 + 0.015) / 0.3)


def test_some_values_stop_and_the_others_go_on() -> None:
    """A drawn and a guessed speaker of 50 mA, nothing else, read at 0.14 A: the drawn one stops at 0.065 A,
    and the guessed one has the rest, 0.075 A. The factor is 0.075 / 0.05 = 1.5."""
    toy = chain_plant(2, current_basis=DRAWING)
    toy.rows["points"][1]["current_basis"] = GUESSED
    toy.add("readings", step=3, value=0.14, instrument_error=0.02)
    found = anchored(toy)
    assert found.factor[0] == pytest.approx(1.5)
    assert found.spread[0] == pytest.approx(0.02)
    assert found.loads.speech_a[:, 0] == pytest.approx([0.065 * 0.98, 0.065, 0.065])
    assert found.loads.speech_a[:, 1] == pytest.approx([0.075 * 0.98, 0.075, 0.075 * 1.02])


def test_a_reading_beyond_what_the_values_can_come_to_takes_them_to_the_nearer_end() -> None:
    # two drawn speakers: 0.08 to 0.13 A; 0.074 A at ± 10 % is inside, and both stop at 0.04 A
    toy = chain_plant(2, current_basis=DRAWING)
    toy.add("readings", step=3, value=0.074)
    found = anchored(toy)
    assert found.excess[0] == 0.0
    assert found.factor[0] == pytest.approx(0.8)
    assert found.loads.speech_a[:, 0] == pytest.approx([0.04, 0.04, 0.04 * (1 + 0.0074 / 0.08)])


def test_an_uncounted_group_s_total_is_scaled_as_one_value() -> None:
    """About 4 speakers (2 to 8) of measured 50 mA: 0.095, 0.20, 0.42 A in all. Read at 0.40 A it is that."""
    toy = chain_plant(1, kind=p.PointKind.UNCOUNTED_GROUP, count_low=2.0, count_likely=4.0, count_high=8.0)
    assert toy.rows["points"][0]["current_basis"] == MEASURED
    toy.add("readings", step=3, value=0.40, instrument_error=0.02)
    assert anchored(toy).loads.speech_a[:, 0] == pytest.approx([0.392, 0.40, 0.408])


def test_an_idle_reading_scales_idle_and_leaves_speech() -> None:
    """Four guessed speakers, 15 mA idle (9 to 24 mA), read at 0.072 A: 18 mA each, ± 5 %."""
    toy = chain_plant(4, current_basis=GUESSED, idle_current_a=0.015)
    toy.add("readings", step=3, value=0.072, state=p.State.IDLE)
    loads = anchored(toy).loads
    assert loads.idle_a[:, 0] == pytest.approx([0.018 * 0.95, 0.018, 0.018 * 1.05])
    assert loads.speech_a[:, 0] == pytest.approx([0.03, 0.05, 0.08])
    assert not loads.supported.any(), "what is said of the load at speech rests on guesses as before"


def test_a_reading_during_speech_makes_its_loads_measured() -> None:
    toy = chain_plant(4, current_basis=GUESSED)
    toy.add("readings", step=3, value=0.2)
    assert anchored(toy).loads.supported.all()


def test_an_idle_reading_does_not_take_the_place_of_one_during_speech() -> None:
    toy = chain_plant(2, current_basis=GUESSED, idle_current_a=0.015)
    toy.add("readings", step=2, value=0.12)
    toy.add("readings", step=3, value=0.03, state=p.State.IDLE)
    assert anchored(toy).loads.speech_a[1].sum() == pytest.approx(0.12)


def test_an_end_voltage_is_held_against_the_currents_that_were_read() -> None:
    """One guessed speaker of 0.1 A (0.06 to 0.16 A), read at 0.15 A, behind 20 m of guessed cable: 24 V less
    0.15 × 20 × R' = 23.49 V. With 0.1 A the likely length for that voltage would be 30 m."""
    toy = chain_plant(1, length_m=20.0, length_basis=GUESSED, speech_current_a=0.1, current_basis=GUESSED)
    toy.add("readings", step=3, value=0.15)
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, source_voltage_v=24.0,
            value=24.0 - 0.15 * 20 * PAIR_OHM_PER_M)  # fmt: skip
    assert anchored(toy).loads.length_m[1, 0] == pytest.approx(20.0)


def test_likely_lengths_are_those_at_the_middle_of_20_degrees_and_design() -> None:
    """0.3 V at 0.1 A, on a site designed for 60 °C: R' at 40 °C, 1 + 0.00393 × 20 of that at 20 °C."""
    toy = chain_plant(1, length_m=15.0, length_basis=GUESSED, speech_current_a=0.1)
    toy.temperature_c = 60.0
    toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=23.7, source_voltage_v=24.0)
    likely = 0.3 / (0.1 * PAIR_OHM_PER_M * (1 + 0.00393 * 20))
    assert anchored(toy).loads.length_m[1, 0] == pytest.approx(likely)


def test_a_newest_reading_that_disagrees_leaves_the_one_before_in_use() -> None:
    """Two guessed speakers of 50 mA (30 to 80): 0.12 A ± 10 % is inside, 0.50 A of later is not."""
    toy = chain_plant(2, current_basis=GUESSED)
    toy.add("readings", step=2, value=0.12)
    toy.add("readings", step=3, value=0.50)
    assert anchored(toy).loads.speech_a.sum(axis=1) == pytest.approx([0.9 * 0.12, 0.12, 1.1 * 0.12])


def test_a_reading_that_leaves_nothing_for_a_group_does_not_say_that_it_is_not_there() -> None:
    """A marked speaker of 50 mA ± 7.5 mA, and up to 8 of measured 50 mA ± 5 %, likely 4. Read at 50 mA the
    group comes to nothing; divided by nothing the error has no end, so it may still be all 8."""
    toy = chain_plant(2, current_basis=MARKED)
    toy.rows["points"][1] |= {"kind": p.PointKind.UNCOUNTED_GROUP, "current_basis": MEASURED,
                              "count_low": 0.0, "count_likely": 4.0, "count_high": 8.0}  # fmt: skip
    toy.add("readings", step=3, value=0.05, instrument_error=0.0)
    assert anchored(toy).loads.speech_a[:, 1] == pytest.approx([0.0, 0.0, 8 * 0.05 * 1.05])


# --- a steady tone at full level ---------------------------------------------------------------------------


def horns(basis: int = GUESSED) -> ToyPlant:
    """Five horns: 0.7 A at full output (guessed: 0.42 to 1.12 A), half of it at speech, 30 mA idle."""
    toy = chain_plant(5, length_m=0.0, current_basis=basis, speech_current_a=NAN, idle_current_a=0.03)
    toy.models[0] |= {"device_kind": int(DeviceKind.HORN), "full_output_current_a": 0.7}
    return toy


def test_a_reading_at_a_full_level_tone_scales_full_output_and_nothing_else() -> None:
    """5 × 0.7 A = 3.5 A, read at 2.5 A: 0.5 A each, ± 5 %. Speech and idle stay as guessed."""
    toy = horns()
    toy.add("readings", step=3, value=2.5, state=p.State.TONE)
    found = anchored(toy)
    assert found.error.tolist() == [pytest.approx(0.125)]
    assert (found.factor[0], found.spread[0]) == pytest.approx((2.5 / 3.5, 0.05))
    assert found.loads.full_a[:, 0] == pytest.approx([0.475, 0.5, 0.525])
    assert found.loads.speech_a[:, 0] == pytest.approx([0.21, 0.35, 0.56])
    assert found.loads.idle_a[:, 0] == pytest.approx([0.018, 0.03, 0.048])
    assert not found.loads.supported.any(), "what is said of the load at speech rests on guesses as before"


@pytest.mark.parametrize(
    ("state", "value", "error", "excess"),
    [
        # the band at full output is 5 × 0.42 to 5 × 1.12 A = 2.1 to 5.6 A
        (p.State.TONE, 6.0, 0.30, 6.0 - 0.30 - 5.6),
        (p.State.TONE, 5.8, 0.29, 0.0),
        (p.State.TONE, 1.9, 0.095, 2.1 - 1.9 - 0.095),
        # during speech half of that, and ± 10 %
        (p.State.PAGING, 3.2, 0.32, 3.2 - 0.32 - 2.8),
        (p.State.PAGING, 3.1, 0.31, 0.0),
    ],
)
def test_a_reading_outside_the_band_of_its_state_disagrees(
    state: p.State, value: float, error: float, excess: float
) -> None:
    toy = horns()
    toy.add("readings", step=3, value=value, state=state)
    found = anchored(toy)
    assert (found.error[0], found.excess[0]) == pytest.approx((error, excess))
    if excess:
        assert found.loads.full_a[1].sum() == pytest.approx(3.5), "it scales nothing"


def test_full_output_that_the_data_sheet_states_stays() -> None:
    """Marked, 0.7 A ± 15 %: 2.975 to 4.025 A, read at 3.0 A. At speech, which the sheet does not state, a
    reading would scale it."""
    toy = horns(MARKED)
    toy.add("readings", step=3, value=3.0, state=p.State.TONE)
    found = anchored(toy)
    assert found.excess[0] == 0.0
    assert math.isnan(found.factor[0])
    assert found.loads.full_a[:, 0] == pytest.approx([0.595, 0.7, 0.805])


def test_watts_that_the_data_sheet_states_stay() -> None:
    """Marked, 1.2 W ± 15 % at 24 V: 0.0425 to 0.0575 A, read at 0.052 A."""
    toy = chain_plant(1, length_m=0.0, current_basis=MARKED, speech_current_a=NAN)
    toy.models[0] |= {"full_output_current_a": NAN, "full_output_power_w": 1.2, "idle_power_w": 0.3}
    toy.add("readings", step=3, value=0.052, state=p.State.TONE, source_voltage_v=24.0)
    found = anchored(toy)
    assert found.excess[0] == 0.0
    assert math.isnan(found.factor[0])


def test_an_uncounted_group_is_scaled_despite_its_data_sheet() -> None:
    """About 4 speakers (2 to 8) of marked 0.05 A: 0.20 A at full output, read at 0.30 A."""
    toy = chain_plant(1, kind=p.PointKind.UNCOUNTED_GROUP, count_low=2.0, count_likely=4.0, count_high=8.0,
                      current_basis=MARKED)  # fmt: skip
    toy.add("readings", step=3, value=0.30, state=p.State.TONE)
    assert anchored(toy).loads.full_a[:, 0] == pytest.approx([0.285, 0.30, 0.315])


def test_full_output_that_follows_from_speech_is_scaled() -> None:
    """The sheet states 50 mA at speech, ± 15 %, and no full output: 85 to 115 mA, read as 0.11 A."""
    toy = chain_plant(1, length_m=0.0, current_basis=MARKED, speech_current_a=0.05)
    toy.models[0]["full_output_current_a"] = NAN
    toy.add("readings", step=3, value=0.11, state=p.State.TONE)
    found = anchored(toy)
    assert found.loads.full_a[:, 0] == pytest.approx([0.11 * 0.95, 0.11, 0.115])
    assert found.loads.speech_a[:, 0] == pytest.approx([0.0425, 0.05, 0.0575])


def test_watts_at_full_output_are_scaled_as_well() -> None:
    """1.2 W guessed (0.72 to 1.92 W) at a stiff 24 V, 0 m away: 0.05 A; read at 0.06 A it is 1.44 W."""
    toy = chain_plant(1, length_m=0.0, current_basis=GUESSED, speech_current_a=NAN)
    toy.models[0] |= {"full_output_current_a": NAN, "full_output_power_w": 1.2, "idle_power_w": 0.3}
    toy.add("readings", step=3, value=0.06, state=p.State.TONE, source_voltage_v=24.0)
    loads = anchored(toy).loads
    assert loads.full_w[:, 0] == pytest.approx([1.44 * 0.95, 1.44, 1.44 * 1.05])
    assert loads.speech_w[1, 0] == pytest.approx(0.6)


def test_each_state_has_its_own_newest_reading() -> None:
    toy = horns()
    toy.add("readings", step=2, value=2.5, state=p.State.TONE)
    toy.add("readings", step=3, value=1.5)
    toy.add("readings", step=4, value=0.12, state=p.State.IDLE)
    loads = anchored(toy).loads
    assert [loads.full_a[1].sum(), loads.speech_a[1].sum(), loads.idle_a[1].sum()] == pytest.approx(
        [2.5, 1.5, 0.12]
    )


def test_a_voltage_at_a_tone_is_held_against_the_drop_of_full_output() -> None:
    """One measured speaker, 0.05 A at speech and 0.1 A at full output, behind 15 m of guessed cable: 24 V
    less 0.1 × 18 × R' is the voltage of 18 m at a tone, of 36 m at speech, which is beyond 22.5 m."""
    volts = 24.0 - 0.1 * 18 * PAIR_OHM_PER_M
    told = {}
    for state in (p.State.TONE, p.State.PAGING):
        toy = chain_plant(1, length_m=15.0, length_basis=GUESSED, speech_current_a=0.05)
        toy.models[0]["full_output_current_a"] = 0.1
        toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=volts, source_voltage_v=24.0,
                instrument_error=0.0001, state=state)  # fmt: skip
        told[state] = anchored(toy)
    assert told[p.State.TONE].loads.length_m[1, 0] == pytest.approx(18.0)
    assert told[p.State.PAGING].excess[0] > 0


def test_a_tone_draws_the_block_down_as_at_full_output() -> None:
    """1 Ω in the supply and one measured speaker of 0.1 A at full output on a measured cable: the block is
    at 24 − 0.1 V, and the reading of 24 − 0.1 × (1 + 10 × R') agrees, to ± 0.01 %. At speech, with half the
    current, it would be off."""
    volts = 24.0 - 0.1 * (1 + 10 * PAIR_OHM_PER_M)
    found = {}
    for state in (p.State.TONE, p.State.PAGING):
        toy = chain_plant(1, length_m=10.0, speech_current_a=0.05)
        toy.models[0]["full_output_current_a"] = 0.1
        toy.rows["supplies"][0]["rated_load_voltage_v"] = 22.0  # at 2 A
        toy.add("readings", step=3, kind=VOLTAGE, point_index=0, value=volts, instrument_error=0.0001,
                state=state)  # fmt: skip
        found[state] = anchored(toy)
    assert found[p.State.TONE].excess[0] == 0.0
    least, _, most = found[p.State.TONE].expected[:, 0]
    assert least == pytest.approx(24.0 - 0.1 * 1.05 * (1 + 10 * 1.02 * PAIR_OHM_PER_M), abs=1e-3)
    assert most > volts
    assert found[p.State.PAGING].expected[0, 0] > least
