"""Which tests of a run count, and after which changes they must be repeated. Common practice, no source: the
cases here are the rule itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from tests.zones.electrical.plants import ToyPlant
from zones.electrical.plant import Carries
from zones.electrical.proofs import (
    Changed,
    ProofTest,
    TakenTest,
    Verdict,
    WiringChange,
    proof,
    wiring_changes,
)

PASSED, FAILED, MISSING, TO_REPEAT = Verdict
CONTINUITY, SHORTS, POLARITY, TONE_TRACE = ProofTest


def all_passed(step: int) -> list[TakenTest]:
    return [TakenTest(10 * step + kind, kind, step, passed=True) for kind in ProofTest]


def verdicts(changes: Sequence[Changed], tests: Sequence[TakenTest], step: int = 99) -> list[Verdict]:
    return [one.verdict for one in proof(changes, tests, step)]


def wired(**later: Any) -> tuple[ToyPlant, int]:
    """A run of two points, laid at step 1, with a landing."""
    toy = ToyPlant()
    run = toy.run(supply_index=toy.add("supplies"), output_index=toy.add("outputs"))
    toy.chain(run, 2, cable_index=toy.cable(), model_index=toy.model())
    toy.add("landings", run_index=run, block_index=toy.block(), carries=Carries.DC_POSITIVE, pair=2, **later)
    return toy, run


def changes_of(toy: ToyPlant, run: int) -> list[tuple[int, WiringChange, int]]:
    return [(one.step, one.change, one.pair) for one in wiring_changes(toy.build(), run) if one.step > 1]


def test_a_run_that_was_never_tested_lacks_all_four() -> None:
    toy, run = wired()
    assert verdicts(wiring_changes(toy.build(), run), []) == [MISSING] * 4


def test_a_run_is_proven_by_four_tests_after_its_wiring() -> None:
    toy, run = wired()
    assert verdicts(wiring_changes(toy.build(), run), all_passed(3)) == [PASSED] * 4


def test_what_was_tested_on_the_day_of_the_work_was_tested_after_it() -> None:
    """A test's step is after the last of its day."""
    changes = [Changed(7, WiringChange.POINT, 0, 1)]
    assert verdicts(changes, all_passed(7)) == [PASSED] * 4
    assert verdicts(changes, all_passed(6)) == [TO_REPEAT] * 4


def test_a_test_that_failed_afterwards_undoes_one_that_passed() -> None:
    tests = [*all_passed(3), TakenTest(99, SHORTS, 4, passed=False)]
    assert verdicts([], tests) == [PASSED, FAILED, PASSED, PASSED]
    assert verdicts([], [*tests, TakenTest(100, SHORTS, 4, passed=True)]) == [PASSED] * 4


def test_what_comes_later_than_the_asked_step_is_not_yet() -> None:
    changes = [Changed(7, WiringChange.POINT, 0, 1)]
    assert verdicts(changes, all_passed(3), 6) == [PASSED] * 4
    assert verdicts(changes, all_passed(3), 7) == [TO_REPEAT] * 4
    assert verdicts(changes, all_passed(9), 8) == [MISSING] * 4


@pytest.mark.parametrize(
    ("change", "again"),
    [
        (WiringChange.POINT, {CONTINUITY, SHORTS, POLARITY, TONE_TRACE}),
        (WiringChange.CABLE, {CONTINUITY, SHORTS, POLARITY, TONE_TRACE}),
        (WiringChange.DEVICE, {CONTINUITY, POLARITY}),
        (WiringChange.LANDING, {CONTINUITY, POLARITY, TONE_TRACE}),
        (WiringChange.FEED, {POLARITY, TONE_TRACE}),
    ],
)
def test_each_kind_of_change_makes_its_tests_to_be_repeated(
    change: WiringChange, again: set[ProofTest]
) -> None:
    made = Changed(5, change, 0, 44)
    found = proof([made], all_passed(3), 99)
    assert {one.kind for one in found if one.verdict is TO_REPEAT} == again
    assert {one.kind for one in found if one.because == (made,)} == again


def test_a_point_that_was_added_cut_or_exchanged() -> None:
    toy, run = wired()
    toy.add("points", step=4, run_index=run, parent_index=1)
    toy.change("points", 0, step=5, model_index=toy.model())
    toy.change("points", 1, step=6, dc_pairs=2)
    toy.change("points", 0, step=7, speech_current_a=0.03, tap_power_w=5.0, length_m=3.0)
    assert changes_of(toy, run) == [
        (4, WiringChange.POINT, 0),
        (5, WiringChange.DEVICE, 0),
        (6, WiringChange.CABLE, 0),
    ]


def test_a_speaker_that_was_taken_off_is_a_change_of_the_device() -> None:
    toy, run = wired()
    toy.change("points", 1, step=4, kind=0, model_index=-1)
    assert changes_of(toy, run) == [(4, WiringChange.DEVICE, 0)]


def test_a_pair_that_was_landed_or_lifted() -> None:
    toy, run = wired(end=6)
    toy.add("landings", step=8, run_index=run, block_index=0, row=9, carries=Carries.AUDIO_POSITIVE, pair=1)
    toy.add("landings", step=9, run_index=run, block_index=0, row=11, carries=Carries.SPARE, pair=3)
    assert changes_of(toy, run) == [(6, WiringChange.LANDING, 2), (8, WiringChange.LANDING, 1)]


def test_another_source_of_the_run_but_not_another_zone() -> None:
    toy, run = wired()
    toy.change("runs", run, step=4, zone_id=2)
    toy.change("runs", run, step=5, output_index=toy.add("outputs"))
    toy.change("points", 1, step=6, feed_supply_index=toy.add("supplies"))
    assert changes_of(toy, run) == [(5, WiringChange.FEED, 0), (6, WiringChange.FEED, 0)]


def test_other_runs_are_left_alone() -> None:
    toy, run = wired()
    other = toy.run()
    toy.chain(other, 1, step=4)
    toy.add("landings", step=5, run_index=other, block_index=0, carries=Carries.DC_POSITIVE, pair=1)
    assert changes_of(toy, run) == []
