"""What feeds a run: sections behind a cut negative, and supplies that meet on one section.

Counts and sums worked by hand. A self-amplified speaker without a supply is silent: by definition. What two
supplies on one section carry each depends on their voltages to the last millivolt (Ohm's law), which no
record has.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.zones.electrical.judged import CODES, MEASURED, chain_plant, figure, figures, has
from tests.zones.electrical.plants import NAN, ToyPlant
from zones.electrical import plant as p
from zones.electrical.evaluate import Evaluation
from zones.electrical.verdicts import Verdict

OHM_PER_M_24 = 25.67 / 304.8  # ASTM B258, printed
LOOP_OHM = 2 * OHM_PER_M_24 * 10  # of a segment of 10 m
PAST, CANNOT_TELL, WITHIN = Verdict.PAST, Verdict.CANNOT_TELL, Verdict.WITHIN
SPEAKER: dict[str, Any] = {
    "model_index": 0,
    "cable_index": 0,
    "length_m": 10.0,
    "length_basis": MEASURED,
    "current_basis": MEASURED,
    "speech_current_a": 0.05,
}


def twelve_cut_before(point: int, **supply: Any) -> ToyPlant:
    """Twelve speakers of 50 mA, 10 m apart, the negative cut before one of them."""
    toy = chain_plant(12)
    toy.rows["points"][point]["negative_cut"] = True
    toy.rows["supplies"][0] |= supply
    return toy


def detail(found: Evaluation, code: str) -> int:
    """The point that a figure names, by its index."""
    (at,) = np.flatnonzero(found.rule == CODES.index(code))
    return int(found.detail[at]) - 1000


# --- speakers without a feed --------------------------------------------------------------------------------


def test_speakers_behind_a_cut_negative_without_a_feed_are_dead() -> None:
    """Cut before the fifth: eight of twelve. The four that are fed draw 4 × 50 mA, and the last of them has
    24 V less 10 m of the currents of 4, 3, 2 and 1 of them: 10 × 50 mA through 1.6844 Ω."""
    found = figures(twelve_cut_before(4))
    assert figure(found, "no_feed") == (8.0, 8.0, 8.0, 0.0, PAST)
    assert detail(found, "no_feed") == 4
    assert figure(found, "supply_current")[1] == pytest.approx(4 * 0.05)
    assert figure(found, "run_voltage")[1] == pytest.approx(24 - LOOP_OHM * 10 * 0.05, abs=1e-4)
    assert figure(found, "run_voltage")[4] is WITHIN


def test_a_section_with_a_feed_of_its_own_is_not_dead() -> None:
    toy = twelve_cut_before(4)
    toy.rows["points"][9]["feed_supply_index"] = toy.add("supplies")
    found = figures(toy)
    assert not has(found, "no_feed")
    assert figure(found, "supply_current", 1)[1] == pytest.approx(8 * 0.05)


def test_a_section_is_dead_from_the_day_on_which_its_supply_goes() -> None:
    toy = twelve_cut_before(4)
    toy.rows["points"][9]["feed_supply_index"] = toy.add("supplies")
    toy.change("points", 9, step=5, feed_supply_index=-1)
    assert not has(figures(toy, 4), "no_feed")
    assert figure(figures(toy, 5), "no_feed")[1:] == (8.0, 8.0, 0.0, PAST)


def test_a_run_cut_at_the_block_is_dead_as_a_whole() -> None:
    """No voltage is judged then: there is none."""
    found = figures(twelve_cut_before(0))
    assert figure(found, "no_feed")[1:] == (12.0, 12.0, 0.0, PAST)
    assert not has(found, "run_voltage")
    assert not has(found, "conductor_current")


def test_a_run_of_which_no_supply_is_recorded_is_not_dead() -> None:
    """A supply that is not recorded: cannot tell. Behind a cut its speakers may be dead, at most."""
    toy = chain_plant(12)
    toy.rows["runs"][0]["supply_index"] = -1
    assert not has(figures(toy), "no_feed")
    assert figure(figures(toy), "run_voltage")[4] is CANNOT_TELL
    toy.rows["points"][4]["negative_cut"] = True
    assert figure(figures(toy), "no_feed") == (0.0, 0.0, 8.0, 0.0, CANNOT_TELL)
    assert figure(figures(toy), "run_voltage")[4] is CANNOT_TELL


def test_the_side_of_the_block_is_not_recorded_where_the_far_section_has_a_supply() -> None:
    """Three sections: that at the block without a recorded supply, one with its own, one with none."""
    toy = chain_plant(12)
    toy.rows["runs"][0]["supply_index"] = -1
    for cut in (4, 9):
        toy.rows["points"][cut]["negative_cut"] = True
    toy.rows["points"][4]["feed_supply_index"] = 0
    found = figures(toy)
    assert figure(found, "no_feed")[1:] == (3.0, 3.0, 0.0, PAST)
    assert figure(found, "run_voltage")[4] is CANNOT_TELL


def test_an_uncounted_group_without_a_feed_has_its_range_and_a_splice_counts_nothing() -> None:
    toy = twelve_cut_before(11)
    bare = {"count_low": 0.0, "count_likely": 0.0, "count_high": 0.0, "speech_current_a": NAN}
    toy.chain(0, 1, parent=11, **(SPEAKER | {"kind": p.PointKind.SPLICE, "model_index": -1} | bare))
    group = {"kind": p.PointKind.UNCOUNTED_GROUP, "count_low": 4.0, "count_likely": 6.0, "count_high": 9.0}
    toy.chain(0, 1, parent=12, **(SPEAKER | group))
    assert figure(figures(toy), "no_feed") == (5.0, 7.0, 10.0, 0.0, PAST)


# --- supplies paralleled ------------------------------------------------------------------------------------


def paralleled(**supply: Any) -> ToyPlant:
    """Twelve speakers fed at the block, and at the tenth from a second supply, with no cut between."""
    toy = chain_plant(12)
    toy.rows["supplies"][0] |= supply
    toy.rows["points"][9]["feed_supply_index"] = toy.add("supplies", **supply)
    return toy


def test_two_supplies_on_one_section_are_past_at_any_load() -> None:
    found = figures(paralleled())
    assert figure(found, "supplies_paralleled") == (2.0, 2.0, 2.0, 1.0, PAST)
    assert detail(found, "supplies_paralleled") == 9
    assert found.problems == ()


def test_two_feeds_meet_on_a_run_without_a_supply_at_its_block() -> None:
    """Feeds at the fourth and the tenth speaker. Four speakers of 50 mA on a third supply: 0.2 of 1.6 A."""
    toy = paralleled()
    toy.rows["runs"][0]["supply_index"] = -1
    toy.rows["points"][3]["feed_supply_index"] = 0
    toy.chain(toy.run(supply_index=toy.add("supplies")), 4, **SPEAKER)
    found = figures(toy)
    assert figure(found, "supplies_paralleled")[1] == 2.0
    assert [figure(found, "supply_current", supply)[4] for supply in (0, 1)] == [CANNOT_TELL] * 2
    assert figure(found, "supply_current", 2)[1:4:2] == pytest.approx((0.2, 1.6))
    assert figure(found, "supply_current", 2)[4] is WITHIN


@pytest.mark.parametrize(
    ("code", "subject"),
    [
        ("run_voltage", 0),
        ("run_current", 0),
        ("conductor_current", 0),
        ("supply_current", 0),
        ("supply_current", 1),
    ],
)
def test_what_each_carries_cannot_be_told(code: str, subject: int) -> None:
    toy = paralleled()
    toy.rows["runs"][0] |= {"fuse_fitted": 1, "fuse_rating_a": 1.0}
    low, likely, high, _, verdict = figure(figures(toy), code, subject)
    assert np.isnan([low, likely, high]).all()
    assert verdict is CANNOT_TELL


def test_a_supply_carries_at_least_what_it_feeds_alone() -> None:
    """A second run of 40 × 50 mA, measured: at least 1.9 A with anything else it carries; 1.6 A allowed."""
    toy = paralleled()
    toy.chain(toy.run(supply_index=0), 40, **(SPEAKER | {"length_m": 0.0}))
    low, likely, high, limit, verdict = figure(figures(toy), "supply_current")
    assert (low, likely, limit) == pytest.approx((1.9, 2.0, 1.6))
    assert np.isnan(high)
    assert verdict is PAST
    # a stiff supply is not pulled down: the second run has its own voltage
    assert figure(figures(toy), "run_voltage", 1)[2] == pytest.approx(24.0)


def test_a_run_beside_cannot_be_judged_where_the_supply_is_not_stiff() -> None:
    """(26 − 24) V / 2 A = 1 Ω: what the supply carries of the paralleled section pulls the other run down."""
    toy = paralleled(no_load_voltage_v=26.0, rated_load_voltage_v=24.0)
    toy.chain(toy.run(supply_index=0), 2, **(SPEAKER | {"length_m": 0.0}))
    assert figure(figures(toy), "run_voltage", 1)[1] == pytest.approx(26 - 1.0 * 0.1)
    assert figure(figures(toy), "run_voltage", 1)[4] is CANNOT_TELL


def test_a_cut_between_them_parts_two_supplies() -> None:
    toy = paralleled()
    toy.rows["points"][6]["negative_cut"] = True
    found = figures(toy)
    assert not has(found, "supplies_paralleled")
    assert figure(found, "supply_current", 0)[1] == pytest.approx(6 * 0.05)
    assert figure(found, "supply_current", 1)[1] == pytest.approx(6 * 0.05)


def test_other_sections_of_the_run_are_computed_all_the_same() -> None:
    """Behind a cut before the eleventh: two speakers on a third supply, over 10 m of 50 mA."""
    toy = paralleled()
    toy.rows["points"][10] |= {"negative_cut": True, "feed_supply_index": toy.add("supplies")}
    found = figures(toy)
    assert figure(found, "supply_current", 2)[1] == pytest.approx(0.1)
    assert figure(found, "run_voltage")[1] == pytest.approx(24 - LOOP_OHM * 0.05, abs=1e-4)
    assert figure(found, "run_voltage")[4] is CANNOT_TELL
    assert figure(found, "supplies_paralleled")[1] == 2.0


def test_a_fuse_carries_at_least_the_other_branches_of_its_run() -> None:
    """A second branch from the block of four speakers, 4 × 50 mA: what else the fuse carries is open."""
    toy = paralleled()
    toy.rows["runs"][0] |= {"fuse_fitted": 1, "fuse_rating_a": 0.2}
    toy.chain(0, 4, **(SPEAKER | {"length_m": 0.0}))
    low, likely, high, limit, verdict = figure(figures(toy), "run_current")
    assert (low, likely, limit) == pytest.approx((0.19, 0.2, 0.16))
    assert np.isnan(high)
    assert verdict is PAST


def test_three_feeds_are_counted() -> None:
    toy = paralleled()
    toy.rows["points"][11]["feed_supply_index"] = toy.add("supplies")
    assert figure(figures(toy), "supplies_paralleled")[1] == 3.0


def test_the_feed_that_comes_second_is_named() -> None:
    """Behind a cut before the third, where the block feeds nothing: first the tenth, then the twelfth."""
    toy = paralleled()
    toy.rows["points"][2]["negative_cut"] = True
    toy.rows["points"][11]["feed_supply_index"] = toy.add("supplies")
    found = figures(toy)
    assert figure(found, "supplies_paralleled")[1] == 2.0
    assert detail(found, "supplies_paralleled") == 11


# --- supply over-voltage ------------------------------------------------------------------------------------


def of_maximum(maximum_v: float = 28.0, **supply: float) -> ToyPlant:
    """Four speakers that take 28 V, unless said otherwise, on a 24 V supply."""
    toy = chain_plant(4)
    toy.models[0]["maximum_voltage_v"] = maximum_v
    toy.rows["supplies"][0] |= supply
    return toy


@pytest.mark.parametrize(
    ("supply", "top_v", "verdict"),
    [
        ({}, 24.0, WITHIN),
        ({"no_load_voltage_v": 27.0}, 27.0, Verdict.NEAR),  # 1 V of 28 V left: less than a tenth
        ({"no_load_voltage_v": 27.0, "voltage_tolerance": 0.05}, 28.35, PAST),
        ({"float_voltage_v": 28.6}, 28.6, PAST),
        # the float charge of a battery does not limit what the supply delivers without it
        ({"no_load_voltage_v": 29.0, "float_voltage_v": 27.6}, 29.0, PAST),
        ({"no_load_voltage_v": NAN, "rated_load_voltage_v": 28.5}, 28.5, PAST),
        ({"no_load_voltage_v": NAN, "float_voltage_v": 28.6}, 28.6, PAST),
        ({"no_load_voltage_v": NAN}, NAN, CANNOT_TELL),
        # what its battery falls to is its other end
        ({"lowest_voltage_v": 20.0}, 24.0, WITHIN),
    ],
)
def test_the_highest_voltage_of_a_supply(supply: dict[str, float], top_v: float, verdict: Verdict) -> None:
    """No-load voltage × (1 + tolerance), or the float charge, against the 28 V that the speakers take."""
    *tops, limit, judged = figure(figures(of_maximum(**supply)), "supply_over_voltage")
    assert tops == pytest.approx([top_v] * 3, nan_ok=True)
    assert limit == 28.0
    assert judged is verdict


def test_the_speaker_that_takes_least_is_named() -> None:
    toy = of_maximum(30.0)
    toy.rows["points"][2]["model_index"] = toy.model(maximum_voltage_v=23.0)
    toy.rows["points"][3]["model_index"] = toy.model()  # states no maximum
    found = figures(toy)
    assert figure(found, "supply_over_voltage")[1:] == (24.0, 24.0, 23.0, PAST)
    assert detail(found, "supply_over_voltage") == 2


def test_a_group_that_was_counted_as_none_limits_nothing() -> None:
    """Speakers that take 28 V, and behind them a group of none of a model that takes 23 V."""
    toy = of_maximum()
    weaker = toy.model(maximum_voltage_v=23.0)
    none = {"kind": p.PointKind.UNCOUNTED_GROUP, "count_low": 0.0, "count_likely": 0.0, "count_high": 0.0}
    last = toy.rows["points"][-1]["point_index"]
    toy.add("points", **(toy.rows["points"][-1] | {"parent_index": last, "model_index": weaker} | none))
    assert figure(figures(toy), "supply_over_voltage")[1:4] == (24.0, 24.0, 28.0)


def test_no_maximum_stated_no_limit() -> None:
    assert not has(figures(of_maximum(NAN, no_load_voltage_v=48.0)), "supply_over_voltage")


def test_a_speaker_of_another_section_is_on_another_supply() -> None:
    toy = of_maximum()
    toy.rows["points"][3]["model_index"] = toy.model(maximum_voltage_v=20.0)
    toy.rows["points"][3] |= {
        "negative_cut": True,
        "feed_supply_index": toy.add("supplies", no_load_voltage_v=18.0),
    }
    found = figures(toy)
    assert figure(found, "supply_over_voltage", 0)[1:4] == (24.0, 24.0, 28.0)
    assert figure(found, "supply_over_voltage", 1)[1:4] == (18.0, 18.0, 20.0)


def test_both_supplies_of_a_paralleled_section_are_judged_by_its_speakers() -> None:
    """Twelve speakers that take 28 V: 30 V reach them whatever else is connected, 24 V do no harm."""
    toy = paralleled()
    toy.rows["supplies"][0]["no_load_voltage_v"] = 30.0
    toy.models[0]["maximum_voltage_v"] = 28.0
    found = figures(toy)
    assert figure(found, "supply_over_voltage", 0)[1:] == (30.0, 30.0, 28.0, PAST)
    assert figure(found, "supply_over_voltage", 1)[1:4] == (24.0, 24.0, 28.0)
    # a section behind a cut is out of reach
    toy.rows["points"][10] |= {"negative_cut": True, "model_index": toy.model(maximum_voltage_v=20.0)}
    assert figure(figures(toy), "supply_over_voltage", 1)[3] == 28.0
