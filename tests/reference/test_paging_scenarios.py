"""Who pages together, and the worst page of a supply: sums of currents, worked by hand.

A supply feeds the sum of the constant currents of everything on it (Kirchhoff's current law).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import MEASURED, RULES, figure, figures
from tests.zones.electrical.plants import ToyPlant
from zones.electrical import plant as p
from zones.electrical.evaluate import evaluate
from zones.electrical.verdicts import Verdict

OHM_PER_M_24 = 25.67 / 304.8  # ASTM B258, printed


def zone_of(toy: ToyPlant, zone: int, speakers: int, supply: int = 0, **point: Any) -> int:
    """A run of a zone: each speaker draws 0.14 A at speech, nothing worth counting while idle."""
    run = toy.run(supply_index=supply, zone_id=zone)
    facts = {
        "model_index": 0,
        "cable_index": 0,
        "length_m": 0.0,
        "length_basis": MEASURED,
        "current_basis": MEASURED,
        "speech_current_a": 0.14,
        "idle_current_a": 0.0,
    }
    toy.chain(run, speakers, **(facts | point))
    return run


def three_zones() -> ToyPlant:
    """Twelve, six and six speakers: 1.68, 0.84 and 0.84 A; 3.36 A all at once."""
    toy = ToyPlant()
    toy.model()
    toy.cable()
    toy.add("supplies", rated_current_a=2.5)
    for zone, speakers in ((1, 12), (2, 6), (3, 6)):
        zone_of(toy, zone, speakers)
    return toy


def test_without_paging_sets_every_zone_pages_at_once() -> None:
    """24 × 0.14 = 3.36 A of 2.5 × 0.8 = 2.00 A."""
    assert figure(figures(three_zones()), "supply_current")[1:] == pytest.approx(
        (3.36, 3.36 * 1.05, 2.0, Verdict.PAST)
    )


def test_a_zone_in_no_set_pages_alone() -> None:
    """Zones 1 and 2 are a set each: 1.68 and 0.84 A. Zone 3 pages alone, 0.84 A, and not with each of the
    sets (1.68 + 0.84 = 2.52 A): the worst page is 1.68 A of 2.00 A."""
    toy = three_zones()
    toy.add("paging", set_id=5, zone_id=1)
    toy.add("paging", set_id=6, zone_id=2)
    assert figure(figures(toy), "supply_current")[:4] == pytest.approx((1.68 * 0.95, 1.68, 1.68 * 1.05, 2.0))
    assert figure(figures(toy), "supply_current")[4] is Verdict.WITHIN


def test_a_zone_alone_may_be_the_worst_page() -> None:
    """Zones 2 and 3 page together: 12 × 0.14 = 1.68 A, and the 12 of zone 1 alone with those idle at 10 mA:
    12 × 0.14 + 12 × 0.01 = 1.80 A."""
    toy = ToyPlant()
    toy.model()
    toy.cable()
    toy.add("supplies", rated_current_a=2.5)
    for zone, speakers in ((1, 12), (2, 6), (3, 6)):
        zone_of(toy, zone, speakers, idle_current_a=0.0 if zone == 1 else 0.01)
    for zone in (2, 3):
        toy.add("paging", set_id=5, zone_id=zone)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(1.80)


def test_the_voltage_of_a_zone_in_no_set_is_that_of_its_own_page() -> None:
    """One speaker of zone 3 over 50 m of a pair of 24 AWG, alone: 24 − 2 × 25.67/304.8 × 50 × 0.14 V."""
    toy = three_zones()
    run = zone_of(toy, 4, 1, length_m=50.0)
    for zone in (1, 2):
        toy.add("paging", set_id=5, zone_id=zone)
    by_hand_v = 24 - 2 * OHM_PER_M_24 * 50 * 0.14
    assert figure(figures(toy), "run_voltage", run)[1] == pytest.approx(by_hand_v, abs=1e-4)


def test_a_zone_alone_is_no_page_of_the_supplies_that_do_not_feed_it() -> None:
    """A speaker may be recorded with less at speech than idle. Zone 4 alone on the second supply is not a
    page of the first: there zones 1 to 3 page, 24 × 0.14 A, and never stay idle, 24 × 0.2 A."""
    toy = ToyPlant()
    toy.model()
    toy.cable()
    for _ in range(2):
        toy.add("supplies", rated_current_a=10.0)
    for zone in (1, 2, 3):
        zone_of(toy, zone, 8, idle_current_a=0.2)
        toy.add("paging", set_id=5, zone_id=zone)
    zone_of(toy, 4, 2, supply=1)
    found = figures(toy)
    assert figure(found, "supply_current", 0)[1] == pytest.approx(24 * 0.14)
    assert figure(found, "supply_current", 1)[1] == pytest.approx(2 * 0.14)


def test_a_run_whose_zone_is_not_recorded_pages_with_every_set() -> None:
    """1.68 A of zone 1, and 2 × 0.14 A of a run that may hear any page: 1.96 A."""
    toy = three_zones()
    zone_of(toy, -1, 2)
    for zone in (1, 2, 3):
        toy.add("paging", set_id=4 + zone, zone_id=zone)
    assert figure(figures(toy), "supply_current")[1] == pytest.approx(1.96)


def test_a_single_group_has_the_figures_of_the_whole_site() -> None:
    toy = three_zones()
    toy.add("supplies")
    zone_of(toy, 7, 3, supply=1)
    toy.add("paging", set_id=5, zone_id=1)
    plant = toy.build()
    whole = evaluate(plant, p.Members.of_sites(plant, 10), RULES)
    groups = np.unique(plant.supplies.group)
    parts = evaluate(plant, p.Members.of_groups(plant, groups, np.full(len(groups), 10)), RULES)
    for code in ("supply_current", "run_voltage", "conductor_current"):
        rule = [rule.code for rule in RULES].index(code)
        by_subject = [
            dict(zip(found.subject_id[at].tolist(), found.high[at].tolist(), strict=True))
            for found in (whole, parts)
            for at in [found.rule == rule]
        ]
        assert by_subject[0] == by_subject[1] != {}
