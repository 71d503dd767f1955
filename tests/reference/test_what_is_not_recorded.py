"""What is assumed where the record says nothing. Common practice, no source: the numbers here are the rule
itself, and each expected figure is worked from them by hand."""

from __future__ import annotations

from typing import Any

import pytest

from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.bands import Basis, DeviceKind
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members, ReadingKind, RunKind, State
from zones.electrical.point_loads import point_loads
from zones.electrical.verdicts import Rule, Verdict

NOTHING: dict[str, Any] = dict.fromkeys(
    ("idle_current_a", "speech_current_a", "full_output_current_a", "full_output_power_w", "idle_power_w"),
    NAN,
)
UNKNOWN, GUESSED, DRAWING, MARKED, MEASURED = map(int, Basis)


def judged(toy: ToyPlant, code: str) -> tuple[list[float], Verdict, float]:
    """Low, likely and high of the first figure; its verdict; its limit."""
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule(code, at_least=code == "run_voltage")])
    return [found.low[0], found.likely[0], found.high[0]], Verdict(found.verdict[0]), found.limit[0]


def amps(model: dict[str, Any] | None, *, idle: bool = False, **point: Any) -> list[float]:
    """Current of a supply with one device next to it; or what the device draws idle."""
    toy = ToyPlant()
    named = {} if model is None else {"model_index": toy.model(**NOTHING | model)}
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=10.0))
    toy.chain(run, 1, length_m=0.0, length_basis=MEASURED, cable_index=toy.cable(), **named | point)
    if idle:
        return list(point_loads(toy.build()).idle_a[:, 0])
    return judged(toy, "supply_current")[0]


CEILING, WALL, HORN = DeviceKind.CEILING_SPEAKER, DeviceKind.WALL_SPEAKER, DeviceKind.HORN


@pytest.mark.parametrize(
    ("kind", "milliamperes"),
    [
        (CEILING, (15, 25, 50)),
        (WALL, (15, 25, 50)),
        (HORN, (60, 150, 350)),
        (DeviceKind.UNKNOWN, (15, 25, 350)),
    ],
)
def test_a_device_of_unknown_current(kind: DeviceKind, milliamperes: tuple[int, ...]) -> None:
    expected = [each / 1000 for each in milliamperes]
    assert amps(None, device_kind=int(kind)) == pytest.approx(expected)
    # a model that states none is no better, nor is one whose statement nobody believes
    assert amps({"device_kind": int(kind)}) == pytest.approx(expected)
    stated = {"device_kind": int(kind), "full_output_current_a": 0.5}
    assert amps(stated, current_basis=UNKNOWN) == pytest.approx(expected)


def test_speech_where_only_full_output_is_stated() -> None:
    """Half of 80 mA, × 0.8–1.3: 32, 40, 52 mA; a point that says how well it is known has that band."""
    model = {"full_output_current_a": 0.080, "idle_current_a": 0.020}
    assert amps(model) == pytest.approx([0.032, 0.040, 0.052])
    assert amps(model, current_basis=MEASURED) == pytest.approx([0.038, 0.040, 0.042])
    assert amps(model, current_basis=GUESSED) == pytest.approx([0.024, 0.040, 0.064])
    assert amps(model, speech_current_a=0.040) == pytest.approx([0.034, 0.040, 0.046])
    assert amps(model | {"speech_current_a": 0.040}) == pytest.approx([0.034, 0.040, 0.046])


@pytest.mark.parametrize(
    ("idle_ma", "expected_ma"),
    [(36, (36, 40, 52)), (45, (45, 45, 52)), (70, (70, 70, 70)), (90, (90, 90, 90))],
)
def test_it_is_never_under_idle_nor_over_full_output(idle_ma: int, expected_ma: tuple[int, ...]) -> None:
    """Cases of 80 mA at full output, and of 80 W at 24 V next to the supply, in watts."""
    expected = [each / 1000 for each in expected_ma]
    assert amps({"full_output_current_a": 0.080, "idle_current_a": idle_ma / 1000}) == pytest.approx(expected)
    watts = {"full_output_power_w": 0.080 * 24, "idle_power_w": idle_ma / 1000 * 24}
    assert amps(watts) == pytest.approx(expected)


def test_at_most_full_output() -> None:
    """A rule of half that somebody set to 0.9: 0.9 · 1.3 of full output is more than there is."""
    toy = ToyPlant()
    toy.factors = toy.factors.with_values({"speech_of_full_output": 0.9})
    run = toy.run(supply_index=toy.add("supplies"))
    model = toy.model(**NOTHING | {"full_output_current_a": 0.1})
    toy.chain(run, 1, model_index=model, length_m=0.0, length_basis=MEASURED)
    assert judged(toy, "supply_current")[0] == pytest.approx([0.072, 0.09, 0.1])


def test_idle_is_half_of_an_unknown_speech() -> None:
    assert amps(None, device_kind=int(HORN), idle=True) == pytest.approx([0.030, 0.075, 0.175])
    assert amps({"full_output_current_a": 0.080}, idle=True) == pytest.approx([0.016, 0.020, 0.026])


@pytest.mark.parametrize(
    ("state", "read_a", "speech_a"),
    [(State.PAGING, 0.045, (0.045 * 0.9, 0.045, 0.045 * 1.1)), (State.IDLE, 0.017, (0.032, 0.040, 0.052))],
)
def test_a_reading_at_speech_settles_it_and_an_idle_one_does_not(
    state: State, read_a: float, speech_a: tuple[float, ...]
) -> None:
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies"))
    model = toy.model(**NOTHING | {"full_output_current_a": 0.080, "idle_current_a": 0.020})
    toy.chain(run, 1, model_index=model, length_m=0.0, length_basis=MEASURED)
    toy.add("readings", run_index=run, kind=ReadingKind.RUN_CURRENT, state=state, value=read_a)
    assert judged(toy, "supply_current")[0] == pytest.approx(speech_a)


TAPS = {"lowest_tap_w": 1.25, "middle_tap_w": 2.5, "highest_tap_w": 10.0}


@pytest.mark.parametrize(
    ("kind", "taps", "watts"),
    [
        (CEILING, {}, (0.5, 1, 5)),
        (WALL, {}, (0.5, 1, 5)),
        (HORN, {}, (7.5, 15, 30)),
        (DeviceKind.UNKNOWN, {}, (0.5, 1, 30)),
        (CEILING, TAPS, (1.25, 2.5, 10)),
        (HORN, TAPS, (1.25, 2.5, 10)),
    ],
)
def test_an_unknown_tap_is_one_of_its_models(
    kind: DeviceKind, taps: dict[str, float], watts: tuple[float, ...]
) -> None:
    toy = ToyPlant()
    run = toy.run(kind=RunKind.CONSTANT_VOLTAGE, amplifier_index=toy.add("amplifiers"))
    toy.chain(
        run, 2, model_index=toy.model(device_kind=int(kind), **taps), length_m=1.0, length_basis=MEASURED
    )
    assert judged(toy, "amplifier_load")[0] == pytest.approx([2 * each for each in watts])


@pytest.mark.parametrize(
    ("gauge", "rating", "limit", "verdict"),
    [
        (16.0, NAN, 1.0, Verdict.PAST),
        (22.0, NAN, 1.0, Verdict.PAST),
        (24.0, NAN, 1.0, Verdict.PAST),
        (NAN, NAN, 1.0, Verdict.PAST),
        (26.0, NAN, NAN, Verdict.CANNOT_TELL),
        (26.0, 1.5, 1.5, Verdict.WITHIN),
        (16.0, 5.0, 5.0, Verdict.WITHIN),
    ],
)
def test_a_conductor_without_a_rating_may_carry_1_a_unless_it_is_thinner_than_24_awg(
    gauge: float, rating: float, limit: float, verdict: Verdict
) -> None:
    """1.2 A ± 5 % over one pair."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", no_load_voltage_v=48.0))
    toy.chain(
        run, 1, model_index=toy.model(speech_current_a=1.2), length_m=1.0, length_basis=MEASURED,
        cable_index=toy.cable(gauge_awg=gauge, conductor_rating_a=rating), current_basis=MEASURED,
    )  # fmt: skip
    bands, found, of = judged(toy, "conductor_current")
    assert bands[:2] == pytest.approx([1.14, 1.2])
    assert of == pytest.approx(limit, nan_ok=True)
    assert found is verdict


@pytest.mark.parametrize(
    ("first_amps", "verdict"), [(0.1, Verdict.CANNOT_TELL), (1.2, Verdict.PAST)], ids=["small", "large"]
)
def test_a_thin_extension_leaves_open_what_is_not_past_already(first_amps: float, verdict: Verdict) -> None:
    """0.2 A through 26 AWG behind 24 AWG, whose 1 A is past or not."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", no_load_voltage_v=48.0))
    known: dict[str, Any] = {"length_m": 1.0, "length_basis": MEASURED, "current_basis": MEASURED}
    (first,) = toy.chain(
        run, 1, model_index=toy.model(speech_current_a=first_amps), cable_index=toy.cable(), **known
    )
    toy.chain(
        run, 1, parent=first, model_index=toy.model(speech_current_a=0.2),
        cable_index=toy.cable(gauge_awg=26.0), **known,
    )  # fmt: skip
    bands, found, limit = judged(toy, "conductor_current")
    assert (bands[1], limit) == pytest.approx((first_amps + 0.2, 1.0))
    assert found is verdict


def test_a_thin_run_stays_open_where_rated_cable_behind_it_is_not_fed() -> None:
    """1.2 A ± 5 % through 26 AWG, which has no rating. The 24 AWG behind the cut negative has one, but
    nothing feeds it, so it carries nothing to be judged by."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", no_load_voltage_v=48.0))
    known: dict[str, Any] = {"length_m": 1.0, "length_basis": MEASURED, "current_basis": MEASURED}
    model = toy.model(speech_current_a=1.2)
    (first,) = toy.chain(run, 1, model_index=model, cable_index=toy.cable(gauge_awg=26.0), **known)
    toy.chain(run, 1, parent=first, model_index=model, cable_index=toy.cable(), negative_cut=True, **known)
    bands, found, limit = judged(toy, "conductor_current")
    assert bands == pytest.approx([1.14, 1.2, NAN], nan_ok=True)
    assert limit == pytest.approx(NAN, nan_ok=True)
    assert found is Verdict.CANNOT_TELL


def test_an_unknown_cable_is_of_22_24_or_26_awg_and_one_pair() -> None:
    """0.2 A over 100 m ± 2 %. Ω/1000 ft of 22, 24 and 26 AWG as ASTM B258 prints them (from memory)."""
    toy = ToyPlant()
    toy.factors = toy.factors.with_values({"current_measured_low": 1.0, "current_measured_high": 1.0})
    run = toy.run(supply_index=toy.add("supplies"))
    toy.chain(
        run, 1, model_index=toy.model(speech_current_a=0.2), length_m=100.0, length_basis=MEASURED,
        current_basis=MEASURED, dc_pairs=-1,
    )  # fmt: skip
    plant = toy.build()
    found = evaluate(plant, Members.of_sites(plant, 1), [Rule("run_voltage", at_least=True)])
    ohms = [2 * m * per_1000_ft / 304.8 for m, per_1000_ft in ((98, 16.14), (100, 25.67), (102, 40.81))]
    expected = [24 - 0.2 * ohm for ohm in ohms]
    assert [found.low[0], found.likely[0], found.high[0]] == pytest.approx(expected, rel=1e-3)


def test_a_supply_whose_rating_is_not_recorded_is_never_green() -> None:
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=NAN))
    toy.chain(run, 1, model_index=toy.model(), length_m=1.0, length_basis=MEASURED)
    assert judged(toy, "supply_current")[1] is Verdict.CANNOT_TELL
    # one voltage alone is stiff; that it falls to 22 V at a current that is not recorded leaves it open
    assert judged(toy, "run_voltage")[1] is Verdict.WITHIN
    toy.rows["supplies"][0]["rated_load_voltage_v"] = 22.0
    assert judged(toy, "run_voltage")[1] is Verdict.CANNOT_TELL
    # a minimum of 25 V is past even at 24 V
    toy.models[0]["minimum_voltage_v"] = 25.0
    assert judged(toy, "run_voltage")[1] is Verdict.PAST
    line = ToyPlant()
    run = line.run(kind=RunKind.CONSTANT_VOLTAGE, amplifier_index=line.add("amplifiers", rated_power_w=NAN))
    line.chain(run, 1, model_index=line.model(), tap_power_w=1.0, tap_basis=MARKED, length_m=1.0)
    assert judged(line, "amplifier_load")[1] is Verdict.CANNOT_TELL
