"""README.md says of every limit what the registry says of it, and of what is assumed what is computed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.reference.test_what_is_not_recorded import MEASURED, NOTHING, amps, judged
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical.bands import DeviceKind
from zones.electrical.plant import RunKind
from zones.limits.registry import LIMITS

README = Path(__file__).parent.parent / "README.md"


def limit_rows() -> list[str]:
    """The rows of README's table of limits; print them with ``python -m tests.test_readme``."""
    return [
        "| "
        + " | ".join([limit.title, limit.quantity or "–", limit.limit_from, limit.near_rule, limit.source])
        + " |"
        for limit in LIMITS
    ]


def test_readme_lists_every_limit_with_its_source() -> None:
    text = README.read_text()
    missing = [row for row in limit_rows() if row not in text]
    assert not missing, "run `python -m tests.test_readme` and put its rows into README.md"


def test_readme_lists_no_limit_that_is_gone() -> None:
    table = README.read_text().split("| limit | figure |")[1].split("\n\n")[0].splitlines()[2:]
    assert table == limit_rows()


# --- what is assumed ----------------------------------------------------------------------------------------


def assumed(before: str, after: str = "") -> list[float]:
    """The numbers that README puts between these words."""
    text = " ".join(README.read_text().split())
    found = re.findall(rf"{before} ((?:[\d.]+(?:, )?)+){after}", text)
    assert len(found) == 1, (before, found)
    return [float(number) for number in found[0].rstrip(", .").split(", ")]


def test_currents_that_nobody_recorded_are_those_of_readme() -> None:
    """Next to a supply, a device draws what it is assumed to draw."""
    speaker, horn = assumed("wall speaker at speech", " mA"), assumed("a horn", " mA")
    assert amps(None, device_kind=int(DeviceKind.CEILING_SPEAKER)) == pytest.approx(
        [a / 1000 for a in speaker]
    )
    assert amps(None, device_kind=int(DeviceKind.HORN)) == pytest.approx([a / 1000 for a in horn])
    unknown = assumed("device of unknown kind", " mA")
    assert amps(None, device_kind=int(DeviceKind.UNKNOWN)) == pytest.approx([a / 1000 for a in unknown])
    assert unknown == [speaker[0], speaker[1], horn[2]]


def test_lengths_that_nobody_recorded_are_those_of_readme() -> None:
    """Two speakers of 1 A each as measured (± 5 %) on 24 AWG at 20 °C. The drop is 2 R′ × (2 I × the home run
    + I × what is between them). d = 0.005 × 92^(12/39) inches = 0.510559 mm, A = 0.204730 mm², and
    R′ = 1 / (58 A) = 0.0842151 Ω/m; I is 0.95 A in the low estimate, 1.05 A in the high one."""
    home, between = assumed("between speakers,", " m from the block"), assumed("is assumed:", " m between")
    toy = ToyPlant()
    model = toy.model(
        **NOTHING | {"speech_current_a": 1.0, "full_output_current_a": NAN, "minimum_voltage_v": 1.0}
    )
    run = toy.run(supply_index=toy.add("supplies", rated_current_a=10.0, no_load_voltage_v=400.0))
    toy.chain(
        run, 2, cable_index=toy.cable(), model_index=model, current_basis=MEASURED, speech_current_a=1.0
    )
    expected = [
        400.0 - 2 * 0.0842151 * amperes * (2 * first + second)
        for amperes, first, second in zip((0.95, 1.0, 1.05), home, between, strict=True)
    ]
    assert judged(toy, "run_voltage")[0] == pytest.approx(expected, rel=1e-6)


def test_taps_that_nobody_recorded_are_those_of_readme() -> None:
    """Next to the amplifier, what a line of one device takes."""
    for kind, words in ((DeviceKind.CEILING_SPEAKER, "else"), (DeviceKind.HORN, "of a speaker,")):
        toy = ToyPlant()
        amplifier = toy.add("amplifiers", rated_power_w=120.0)
        run = toy.run(kind=RunKind.CONSTANT_VOLTAGE, amplifier_index=amplifier)
        toy.chain(run, 1, length_m=0.0, length_basis=MEASURED, device_kind=int(kind))
        assert judged(toy, "amplifier_load")[0] == pytest.approx(assumed(words, " W of a"))


@pytest.mark.parametrize(
    ("code", "rated", "limit"),
    [("supply_current", 2.0, 1.6), ("run_current", 1.0, 0.8), ("amplifier_load", 120.0, 96.0)],
)
def test_the_loading_fraction_of_readme_is_in_the_limit(code: str, rated: float, limit: float) -> None:
    """0.8 × 2 A = 1.6 A, 0.8 × 1 A = 0.8 A, 0.8 × 120 W = 96 W."""
    (row,) = [one for one, of in zip(limit_rows(), LIMITS, strict=True) if of.code == code]
    assert "× loading fraction (0.8)" in row
    toy = ToyPlant()
    supply = toy.add("supplies", rated_current_a=2.0)
    fed: dict[str, Any] = {"supply_index": supply, "fuse_fitted": 1, "fuse_rating_a": 1.0}
    kind = RunKind.SELF_AMPLIFIED
    if code == "amplifier_load":
        fed = {"amplifier_index": toy.add("amplifiers", rated_power_w=rated)}
        kind = RunKind.CONSTANT_VOLTAGE
    toy.chain(toy.run(kind=kind, **fed), 1, length_m=0.0, length_basis=MEASURED, cable_index=toy.cable())
    assert judged(toy, code)[2] == pytest.approx(limit)


def test_readme_says_of_no_factor_that_it_can_be_changed() -> None:
    """No channel changes one: tests/api/v1/test_operations.py."""
    text = " ".join(README.read_text().split())
    said = [one for one in re.split(r"(?<=[.:;]) ", text) if re.search("factor|fraction", one.lower())]
    assert said
    assert not [one for one in said if re.search(r"chang|edit|adjust|unless", one)]


if __name__ == "__main__":
    print("\n".join(limit_rows()))
