"""Wiring classes: what is marked at a source against what the cable of its runs is listed as.

NEC 725.60 (formerly 725.121): a Class 2 circuit is fed by a source that is listed and marked so, or as a
limited power source; outputs of amplifiers 640.9(C); cables that may stand for others 725.154; from memory.
What a source can deliver does not count: it is never computed here.
"""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from tests.zones.electrical.judged import figure, figures
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.verdicts import Verdict

PAST, CANNOT_TELL, WITHIN = Verdict.PAST, Verdict.CANNOT_TELL, Verdict.WITHIN
UNKNOWN = -1
COMMUNICATIONS, CLASS_2_CABLE, CLASS_3_CABLE, POWER = p.CableListing
US, CANADA, ELSEWHERE = p.Jurisdiction


def supply_on(
    *cables: Mapping[str, object], marked: int, jurisdiction: int = UNKNOWN, amps: float = 2.0
) -> ToyPlant:
    """A supply of 24 V with a run of one segment in each cable."""
    toy = ToyPlant()
    toy.jurisdiction = jurisdiction
    supply = toy.add("supplies", class_2_marked=marked, rated_current_a=amps)
    for cable in cables:
        run = toy.run(supply_index=supply)
        toy.chain(run, 1, cable_index=toy.cable(**cable), model_index=toy.model())
    return toy


CATEGORY = {"category": True}
LISTED = {"listing": COMMUNICATIONS}


@pytest.mark.parametrize(
    ("marked", "cable", "jurisdiction", "verdict"),
    [
        (
            0,
            CATEGORY,
            UNKNOWN,
            PAST,
        ),  # category cable counts as communications cable, a site as under the NEC
        (0, LISTED, US, PAST),
        (0, {"listing": CLASS_2_CABLE}, US, PAST),
        (0, {"listing": CLASS_3_CABLE}, US, PAST),
        (0, {"listing": POWER}, US, WITHIN),
        (0, {"listing": POWER, "category": True}, US, WITHIN),  # what is recorded goes before its kind
        (0, {}, US, CANNOT_TELL),  # listing not recorded
        (0, CATEGORY, CANADA, CANNOT_TELL),
        (0, CATEGORY, ELSEWHERE, CANNOT_TELL),
        (UNKNOWN, CATEGORY, US, CANNOT_TELL),
        (UNKNOWN, CATEGORY, CANADA, CANNOT_TELL),
        (1, CATEGORY, US, WITHIN),
        (1, {}, US, WITHIN),
        (1, CATEGORY, ELSEWHERE, WITHIN),
    ],
)
def test_a_supply_by_its_marking(
    marked: int, cable: Mapping[str, object], jurisdiction: int, verdict: Verdict
) -> None:
    assert (
        figure(figures(supply_on(cable, marked=marked, jurisdiction=jurisdiction)), "wiring_class")[4]
        is verdict
    )


@pytest.mark.parametrize("amps", [0.1, 2.0, 40.0, NAN])
def test_a_power_is_never_what_decides(amps: float) -> None:
    """2.4 VA, 48 VA, 960 VA and one that is not known: unmarked, and so none of them is Class 2."""
    assert figure(figures(supply_on(CATEGORY, marked=0, amps=amps)), "wiring_class")[4] is PAST


def test_runs_are_counted_once_each() -> None:
    """Three runs of an unmarked supply: category cable over two segments, power cable, and cable whose
    listing is not recorded."""
    toy = supply_on(CATEGORY, {"listing": POWER}, {}, marked=0)
    toy.chain(0, 1, parent=0, cable_index=0)
    assert figure(figures(toy), "wiring_class")[:4] == (1, 1, 2, 0)


def fed_in_mid_run(*, cut: bool, **second: object) -> ToyPlant:
    """A marked supply at the block, category cable to one speaker and on to another, at which an unmarked
    supply lands."""
    toy = supply_on(CATEGORY, marked=1)
    toy.chain(0, 1, parent=0, cable_index=toy.cable(**(CATEGORY | second)), model_index=0)
    toy.rows["points"][1] |= {"negative_cut": cut, "feed_supply_index": toy.add("supplies", class_2_marked=0)}
    return toy


@pytest.mark.parametrize("cut", [True, False])
def test_a_supply_in_mid_run_is_judged_by_the_cable_of_its_section(cut: bool) -> None:
    """Behind a cut negative, with a single speaker; and where it wrongly meets the supply at the block."""
    found = figures(fed_in_mid_run(cut=cut))
    assert figure(found, "wiring_class", 0) == (0, 0, 0, 0, WITHIN)
    assert figure(found, "wiring_class", 1) == (1, 1, 1, 0, PAST)


def test_only_the_section_that_a_supply_is_connected_to_counts() -> None:
    """Power cable behind the cut: the unmarked supply may feed it. Without the cut it is connected to the
    category cable as well."""
    found = figures(fed_in_mid_run(cut=True, listing=POWER))
    assert figure(found, "wiring_class", 1)[4] is WITHIN
    found = figures(fed_in_mid_run(cut=False, listing=POWER))
    assert figure(found, "wiring_class", 1)[4] is PAST


@pytest.mark.parametrize(
    ("output", "listing", "verdict"),
    [
        (p.OutputClass.UNMARKED, CLASS_2_CABLE, PAST),
        (p.OutputClass.CLASS_1, COMMUNICATIONS, PAST),
        (p.OutputClass.CLASS_1, POWER, WITHIN),
        (p.OutputClass.CLASS_2, CLASS_2_CABLE, WITHIN),
        (p.OutputClass.CLASS_2, UNKNOWN, WITHIN),
        (p.OutputClass.CLASS_3, CLASS_3_CABLE, WITHIN),
        (p.OutputClass.CLASS_3, COMMUNICATIONS, WITHIN),
        (p.OutputClass.CLASS_3, CLASS_2_CABLE, PAST),  # Class 2 cable may not stand for Class 3 cable
        (p.OutputClass.CLASS_3, UNKNOWN, CANNOT_TELL),
        (UNKNOWN, CLASS_2_CABLE, CANNOT_TELL),
    ],
)
def test_the_output_of_an_amplifier_likewise(output: int, listing: int, verdict: Verdict) -> None:
    toy = ToyPlant()
    amplifier = toy.add("amplifiers", output_class=output)
    run = toy.run(kind=p.RunKind.CONSTANT_VOLTAGE, amplifier_index=amplifier)
    toy.chain(run, 2, cable_index=toy.cable(listing=listing), tap_power_w=5.0, tap_basis=3)
    assert figure(figures(toy), "wiring_class")[4] is verdict
