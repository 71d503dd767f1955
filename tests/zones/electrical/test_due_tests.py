"""When a run is to be tested again, and whether it may be in service. Common practice, no source: the cases
here are the rule itself."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.changes import steps
from tests.zones.electrical.judged import figures
from tests.zones.electrical.plants import ToyPlant
from zones.electrical.evaluate import Evaluation
from zones.electrical.plant import Members, RunKind, Service, days
from zones.electrical.proofs import DueTest, ProofTest, Since, due_tests

DAY = dt.date
KEPT = DAY(2020, 1, 1)
BUILT = DAY(2022, 5, 9)
CONTRACT = 41


def test_days_and_steps_are_counted_as_the_record_counts_them() -> None:
    assert days.STEPS_A_DAY == steps.STEPS_A_DAY
    for day in (DAY(1969, 12, 31), DAY(1970, 1, 1), DAY(2026, 2, 28)):
        assert days.last_step_of(day.toordinal()) == steps.last_step_of(day)
        assert days.ordinal_of(steps.step_of(day, 9)) == day.toordinal()


@pytest.mark.parametrize(
    ("day", "months", "due"),
    [
        (DAY(2025, 3, 14), 12, DAY(2026, 3, 14)),
        (DAY(2024, 2, 29), 12, DAY(2025, 2, 28)),  # no 29 February
        (DAY(2025, 8, 31), 6, DAY(2026, 2, 28)),
        (DAY(2025, 11, 30), 1, DAY(2025, 12, 30)),
        (DAY(2025, 12, 5), 240, DAY(2045, 12, 5)),
    ],
)
def test_months_are_those_of_the_calendar(day: DAY, months: int, due: DAY) -> None:
    assert DAY.fromordinal(days.months_after(day.toordinal(), months)) == due


class Site:
    """A run of two points, laid on the day it was built, on an output; a contract of 12 months."""

    def __init__(
        self, *, kind: int = RunKind.SELF_AMPLIFIED, months: int = 12, until: DAY | None = None
    ) -> None:
        self.toy = ToyPlant()
        self.toy.proofs_since = KEPT.toordinal()
        self.toy.covers = [(CONTRACT, KEPT.toordinal(), (until or DAY(2090, 1, 1)).toordinal(), months)]
        at = steps.step_of(BUILT, 1)
        self.output = self.toy.add("outputs", step=at)
        self.run = self.toy.run(kind=kind, output_index=self.output, step=at)
        self.points = self.toy.chain(self.run, 2, model_index=self.toy.model(), step=at)

    def test(self, day: DAY, *proof_tests: ProofTest, passed: bool = True) -> None:
        for kind in proof_tests or ProofTest:
            number = self.toy.counts["proof_tests"]
            self.toy.add("proof_tests", step=steps.last_step_of(day), run_index=self.run, test_id=number,
                         kind=kind, passed=passed)  # fmt: skip

    def add_speaker(self, day: DAY) -> None:
        self.toy.add("points", step=steps.step_of(day, 1), run_index=self.run, parent_index=self.points[-1])

    def serve(self, day: DAY, service: int = Service.IN_SERVICE) -> None:
        self.toy.change("outputs", self.output, step=steps.step_of(day, 2), service=service)

    def due(self, day: DAY) -> tuple[DAY, Since, DAY | None] | None:
        return self.due_at(steps.last_step_of(day))

    def due_at(self, step: int) -> tuple[DAY, Since, DAY | None] | None:
        plant = self.toy.build()
        found = due_tests(plant, Members.of_sites(plant, step))
        if not len(found.row):
            return None
        assert len(found.row) == 1
        due = found.one(0)
        assert due.contract == CONTRACT
        proven_on = DAY.fromordinal(due.proven_on) if due.proven_on else None
        return DAY.fromordinal(due.due_on), due.since, proven_on

    def judged(self, code: str, day: DAY) -> float | None:
        """The figure of a limit on a day; None: there is none."""
        found: Evaluation = figures(self.toy, steps.last_step_of(day))
        rule = [one.code for one in found.rules].index(code)
        values = found.likely[found.rule == rule].tolist()
        return values[0] if values else None


def test_the_interval_counts_from_the_latest_test_of_the_last_complete_proof() -> None:
    site = Site()
    site.test(DAY(2025, 3, 12), ProofTest.CONTINUITY, ProofTest.SHORTS)
    site.test(DAY(2025, 3, 14), ProofTest.POLARITY, ProofTest.TONE_TRACE)
    assert site.due(DAY(2025, 3, 14)) == (DAY(2026, 3, 14), Since.PROOF, DAY(2025, 3, 14))
    # the day before, two tests were missing: 12 months from the run's first day
    assert site.due(DAY(2025, 3, 13)) == (DAY(2023, 5, 9), Since.NOTHING, None)


def test_a_run_that_was_altered_counts_from_its_first_day() -> None:
    site = Site()
    site.toy.change("runs", site.run, step=steps.step_of(DAY(2023, 1, 2), 1), fuse_rating_a=1.0)
    assert site.due(DAY(2023, 1, 3)) == (DAY(2023, 5, 9), Since.NOTHING, None)


def test_what_was_changed_since_takes_nothing_from_the_day_of_the_proof() -> None:
    site = Site()
    site.test(DAY(2025, 3, 14))
    site.add_speaker(DAY(2025, 9, 1))
    assert site.due(DAY(2025, 10, 1)) == (DAY(2026, 3, 14), Since.PROOF, DAY(2025, 3, 14))
    # three of four are no complete proof
    site.test(DAY(2025, 11, 3), ProofTest.CONTINUITY, ProofTest.SHORTS, ProofTest.POLARITY)
    assert site.due(DAY(2025, 11, 4)) == (DAY(2026, 3, 14), Since.PROOF, DAY(2025, 3, 14))
    site.test(DAY(2025, 11, 5), ProofTest.TONE_TRACE)
    assert site.due(DAY(2025, 11, 5)) == (DAY(2026, 11, 5), Since.PROOF, DAY(2025, 11, 5))


def test_one_test_made_again_is_no_complete_proof() -> None:
    """Else a run of which continuity alone is tried year by year would never be due."""
    site = Site()
    site.test(DAY(2025, 3, 14))
    site.test(DAY(2025, 11, 3), ProofTest.CONTINUITY, ProofTest.SHORTS, ProofTest.POLARITY)
    assert site.due(DAY(2025, 11, 3)) == (DAY(2026, 3, 14), Since.PROOF, DAY(2025, 3, 14))
    site.test(DAY(2025, 11, 9), ProofTest.TONE_TRACE)
    assert site.due(DAY(2025, 11, 9)) == (DAY(2026, 11, 9), Since.PROOF, DAY(2025, 11, 9))
    site.test(DAY(2026, 2, 1), ProofTest.TONE_TRACE)
    assert site.due(DAY(2026, 2, 1)) == (DAY(2026, 11, 9), Since.PROOF, DAY(2025, 11, 9))


def test_what_failed_and_passes_again_makes_the_proof_complete_again() -> None:
    site = Site()
    site.test(DAY(2025, 3, 14))
    site.test(DAY(2025, 6, 2), ProofTest.SHORTS, passed=False)
    site.test(DAY(2025, 6, 3), ProofTest.SHORTS)
    assert site.due(DAY(2025, 6, 3)) == (DAY(2026, 6, 3), Since.PROOF, DAY(2025, 6, 3))


def test_a_test_that_failed_completes_nothing() -> None:
    site = Site()
    site.test(DAY(2025, 3, 14))
    site.test(DAY(2025, 6, 2), ProofTest.SHORTS, passed=False)
    assert site.due(DAY(2025, 6, 3)) == (DAY(2026, 3, 14), Since.PROOF, DAY(2025, 3, 14))


def test_no_test_is_due_before_proofs_were_kept_and_the_interval() -> None:
    site = Site()
    site.test(DAY(2023, 1, 10))
    site.toy.proofs_since = DAY(2026, 12, 1).toordinal()
    assert site.due(DAY(2026, 12, 2)) == (DAY(2027, 12, 1), Since.PROOF, DAY(2023, 1, 10))
    site.toy.proofs_since = -1
    assert site.due(DAY(2026, 12, 2)) is None


def test_a_survey_stands_for_the_proof_of_what_it_found() -> None:
    site = Site()
    site.toy.survey_day = DAY(2024, 7, 1).toordinal()
    assert site.due(DAY(2025, 1, 1)) == (DAY(2025, 7, 1), Since.SURVEY, DAY(2024, 7, 1))
    # but not of a run that was laid afterwards: that counts from its first day
    site.toy.survey_day = DAY(2021, 7, 1).toordinal()
    assert site.due(DAY(2025, 1, 1)) == (DAY(2023, 5, 9), Since.NOTHING, None)


def test_a_survey_stands_for_proofs_from_the_end_of_its_day() -> None:
    """As any test: what was changed on its day was changed before it."""
    site = Site()
    site.toy.survey_day = DAY(2024, 7, 1).toordinal()
    end_of_day = steps.last_step_of(DAY(2024, 7, 1))
    assert site.due_at(end_of_day - 1) == (DAY(2025, 7, 1), Since.NOTHING, None)
    assert site.due_at(end_of_day) == (DAY(2025, 7, 1), Since.SURVEY, DAY(2024, 7, 1))


def test_what_was_tested_on_the_day_of_a_survey_is_a_proof_and_no_survey() -> None:
    site = Site()
    site.toy.survey_day = DAY(2024, 7, 1).toordinal()
    site.test(DAY(2024, 7, 1), ProofTest.SHORTS)
    assert site.due(DAY(2024, 7, 1)) == (DAY(2025, 7, 1), Since.PROOF, DAY(2024, 7, 1))


def test_a_proof_from_before_the_takeover_counts_from_the_takeover() -> None:
    site = Site()
    site.test(DAY(2022, 6, 1))
    site.toy.survey_day = DAY(2024, 7, 1).toordinal()
    assert site.due(DAY(2024, 7, 2)) == (DAY(2025, 7, 1), Since.SURVEY, DAY(2024, 7, 1))


def test_no_test_is_due_before_a_takeover_to_come_and_the_interval() -> None:
    site = Site()
    site.test(DAY(2025, 3, 14))
    site.toy.survey_day = DAY(2026, 12, 1).toordinal()
    assert site.due(DAY(2026, 6, 1)) == (DAY(2027, 12, 1), Since.PROOF, DAY(2025, 3, 14))


def test_without_a_contract_of_the_day_no_test_is_due() -> None:
    site = Site(until=DAY(2025, 1, 1))
    assert site.due(DAY(2024, 12, 31)) is not None
    assert site.due(DAY(2025, 1, 1)) is None
    site.toy.covers = []
    assert site.due(DAY(2024, 12, 31)) is None


def test_a_test_is_overdue_from_the_day_after() -> None:
    site = Site()
    site.test(DAY(2025, 3, 14))
    assert site.judged("test_overdue", DAY(2026, 3, 14)) is None
    assert site.judged("test_overdue", DAY(2026, 3, 15)) == 1
    site.test(DAY(2026, 3, 20))
    assert site.judged("test_overdue", DAY(2026, 3, 20)) is None


def test_the_days_of_a_due_test_fit_into_one_number() -> None:
    due = DueTest(DAY(2026, 3, 14).toordinal(), Since.SURVEY, DAY(2025, 3, 14).toordinal(), 5)
    assert DueTest.of_detail(due.detail()) == due._replace(contract=-1)
    assert due.detail() < 2**53, "a reader of JSON may keep numbers as doubles"


@pytest.mark.parametrize("kind", [RunKind.SELF_AMPLIFIED, RunKind.CONSTANT_VOLTAGE])
def test_a_run_whose_device_is_in_service_is_asked_for_its_proof(kind: int) -> None:
    site = Site(kind=kind)
    code = "in_service_unproven"
    assert site.judged(code, DAY(2023, 1, 1)) is None, "whether it is in service is not recorded"
    site.serve(DAY(2023, 2, 1))
    assert site.judged(code, DAY(2023, 1, 31)) is None
    assert site.judged(code, DAY(2023, 2, 1)) == 1
    site.test(DAY(2023, 3, 1))
    assert site.judged(code, DAY(2023, 3, 1)) == 0
    site.add_speaker(DAY(2023, 4, 1))
    assert site.judged(code, DAY(2023, 4, 1)) == 1, "its wiring was changed"
    site.serve(DAY(2023, 5, 1), Service.OUT_OF_SERVICE)
    assert site.judged(code, DAY(2023, 5, 1)) is None


def test_a_survey_proves_what_is_in_service_until_it_is_rewired() -> None:
    site = Site()
    site.serve(DAY(2023, 2, 1))
    site.toy.survey_day = DAY(2023, 6, 1).toordinal()
    assert site.judged("in_service_unproven", DAY(2023, 6, 1)) == 0
    site.add_speaker(DAY(2023, 7, 1))
    assert site.judged("in_service_unproven", DAY(2023, 7, 1)) == 1
