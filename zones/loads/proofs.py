"""The proof of a run in words: which of its tests count, and after which change one must be repeated."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from sites.changes.steps import day_of, first_step_after
from sites.wording import capital, counted, listed
from zones.electrical.proofs import (
    SURVEY_ID,
    Changed,
    ProofOfTest,
    ProofTest,
    Verdict,
    WiringChange,
    tests_of_proof,
)
from zones.findings.wording import who_and_when
from zones.models import Run
from zones.models.test_kinds import TestKind
from zones.plant import change_sets
from zones.plant.change_sets import ChangeSetInfo
from zones.plant.selectors import read_plant

KIND_OF: Final[Mapping[ProofTest, TestKind]] = {
    ProofTest.CONTINUITY: TestKind.CONTINUITY,
    ProofTest.SHORTS: TestKind.SHORTS,
    ProofTest.POLARITY: TestKind.POLARITY,
    ProofTest.TONE_TRACE: TestKind.TONE_TRACE,
}
PROVEN: Final = "Proven: all four tests passed since its wiring last changed."
SURVEYED: Final = "Not tested, but found by the survey of {day}, and its wiring has not changed since."
_WAS: Final[Mapping[WiringChange, str]] = {
    WiringChange.POINT: "a point was added",
    WiringChange.CABLE: "cable, pairs or order of the points were changed",
    WiringChange.DEVICE: "a device was exchanged or taken off",
    WiringChange.LANDING: "landing of pair {pair} changed",
    WiringChange.FEED: "the run was fed from elsewhere",
}
MOST_TOLD: Final = 5
"""Changes that a test's sentence names; the rest are counted."""


@dataclass(frozen=True)
class ChangeOfWiring:
    """sentence: what was changed, when and by whom."""

    happened_on: dt.date
    change_set_id: int | None
    sentence: str


@dataclass(frozen=True)
class TestOfProof:
    """kind: of the test. verdict: passed, failed, missing or to_repeat. test_id, taken_on: the newest one;
    null: there is none. Of a survey that stands for it there is the day only. because: the changes since then
    after which it must be repeated, newest first. sentence: all of it in a sentence."""

    __test__ = False  # or pytest takes it for one of its own

    kind: str
    verdict: str
    test_id: int | None
    taken_on: dt.date | None
    because: tuple[ChangeOfWiring, ...]
    sentence: str


@dataclass(frozen=True)
class ProofOfRun:
    """proven: all four tests passed since the wiring last changed. taken_over_on: the day on which a site
    that was taken over was surveyed, which stands for proofs of what was there; null: it was not taken over.
    sentence: what is left to do."""

    run_id: int
    site_id: int
    as_of: dt.date
    proven: bool
    taken_over_on: dt.date | None
    sentence: str
    tests: tuple[TestOfProof, ...]


def proof_of(run: Run, as_of: dt.date) -> ProofOfRun:
    """The proof of a run as of the end of a day, from the wiring and the tests as known now; the survey of a
    site that was taken over stands for the tests of what was there."""
    return proofs_of([run], as_of, run.site.surveyed_on)[run.pk]


def proofs_of(runs: Sequence[Run], as_of: dt.date, surveyed_on: dt.date | None) -> dict[int, ProofOfRun]:
    """The proofs of some runs of one site, by run. surveyed_on: the day on which that site was taken over, if
    it was."""
    plant = read_plant([runs[0].site_id])
    place = {pk: at for at, pk in enumerate(plant.run_id.tolist())}
    step = first_step_after(as_of) - 1
    found = {run.pk: tests_of_proof(plant, place[run.pk], step) for run in runs}
    by_id = change_sets.look_up(
        (), {change.by for tests in found.values() for each in tests for change in each.because}
    ).by_id
    return {run.pk: _proof(run, as_of, surveyed_on, found[run.pk], by_id) for run in runs}


def _proof(
    run: Run,
    as_of: dt.date,
    surveyed_on: dt.date | None,
    found: Sequence[ProofOfTest],
    by_id: Mapping[int, ChangeSetInfo],
) -> ProofOfRun:
    left = [KIND_OF[each.kind].label for each in found if each.verdict is not Verdict.PASSED]
    return ProofOfRun(
        run_id=run.pk,
        site_id=run.site_id,
        as_of=as_of,
        proven=not left,
        taken_over_on=surveyed_on,
        sentence=f"To be tested: {listed(left)}." if left else _of_proven(found),
        tests=tuple(_rendered(each, by_id) for each in found),
    )


def _of_proven(found: Sequence[ProofOfTest]) -> str:
    tests = [one.test for one in found if one.test is not None]
    if all(test.id == SURVEY_ID for test in tests):
        return SURVEYED.format(day=day_of(tests[0].step))
    return PROVEN


def _rendered(one: ProofOfTest, by_id: Mapping[int, ChangeSetInfo]) -> TestOfProof:
    kind = KIND_OF[one.kind]
    because = tuple(_change(each, by_id.get(each.by)) for each in reversed(one.because))
    taken_on = None if one.test is None else day_of(one.test.step)
    by_survey = one.test is not None and one.test.id == SURVEY_ID
    return TestOfProof(
        kind=kind,
        verdict=one.verdict.name.lower(),
        test_id=None if one.test is None or by_survey else one.test.id,
        taken_on=taken_on,
        because=because,
        sentence=_sentence(kind, one.verdict, taken_on, because, by_survey=by_survey),
    )


def _change(one: Changed, info: ChangeSetInfo | None) -> ChangeOfWiring:
    what = _WAS[one.change].format(pair=one.pair)
    day = day_of(one.step)
    by = who_and_when(info) if info is not None and info.happened_on == day else f"on {day}"
    return ChangeOfWiring(day, one.by if info is not None else None, f"{capital(what)} {by}.")


def _sentence(
    kind: TestKind,
    verdict: Verdict,
    taken_on: dt.date | None,
    because: Sequence[ChangeOfWiring],
    *,
    by_survey: bool,
) -> str:
    label = capital(kind.label)
    if verdict is Verdict.MISSING:
        return f"{label}: no test is recorded."
    if verdict is Verdict.PASSED:
        stands = f"the survey of {taken_on} stands for it" if by_survey else f"passed on {taken_on}"
        return f"{label}: {stands}."
    if verdict is Verdict.FAILED:
        return f"{label}: failed on {taken_on}."
    told = " ".join(each.sentence for each in because[:MOST_TOLD])
    more = len(because) - MOST_TOLD
    rest = f" And {counted(more, 'more change')}." if more > 0 else ""
    counted_then = f"The survey of {taken_on} stood for it" if by_survey else f"It passed on {taken_on}"
    return f"{label}: {'make' if by_survey else 'repeat'} it. {counted_then}, and since then: {told}{rest}"
