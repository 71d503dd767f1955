"""The proof of a run, in words."""

from __future__ import annotations

import datetime as dt

import pytest

from sites.services.sites import site_alter
from tests import factories
from tests.factories import BUILT_ON
from tests.halls import Hall
from zones.loads.proofs import KIND_OF, ProofOfRun, proof_of
from zones.models import Test
from zones.services.runs import run_alter
from zones.services.tests import record_test, supersede_test

pytestmark = pytest.mark.django_db
LATER = BUILT_ON + dt.timedelta(days=400)


def prove(hall: Hall, on: dt.date = BUILT_ON) -> list[Test]:
    change = factories.change(hall.site, happened_on=on)
    return [
        record_test(change, kind=kind, run=hall.run, taken_on=on, passed=True).result
        for kind in KIND_OF.values()
    ]


def verdicts(found: ProofOfRun) -> list[str]:
    return [one.verdict for one in found.tests]


def test_a_run_is_proven_once_its_four_tests_passed(hall: Hall) -> None:
    found = proof_of(hall.run, LATER)
    assert (found.proven, verdicts(found)) == (False, ["missing"] * 4)
    assert found.sentence == "To be tested: continuity, shorts, polarity and tone trace."
    prove(hall)
    found = proof_of(hall.run, LATER)
    assert (found.proven, verdicts(found)) == (True, ["passed"] * 4)
    assert found.tests[0].sentence == f"Continuity: passed on {BUILT_ON}."


def test_a_later_change_is_named_with_what_it_makes_to_be_repeated(hall: Hall) -> None:
    prove(hall)
    change = factories.change(hall.site, happened_on=LATER, done_by="Hallam Crew", job_reference="J-31")
    run_alter(change, run=hall.run, output=hall.gateway.outputs.get(number=2))
    found = proof_of(hall.run, LATER)
    assert verdicts(found) == ["passed", "passed", "to_repeat", "to_repeat"]
    assert found.sentence == "To be tested: polarity and tone trace."
    assert found.tests[2].sentence == (
        f"Polarity: repeat it. It passed on {BUILT_ON}, and since then: The run was fed from elsewhere "
        f"on {LATER} by Hallam Crew, job J-31, recorded by Larkmoor Sound & Signal."
    )
    assert verdicts(proof_of(hall.run, LATER - dt.timedelta(days=1))) == ["passed"] * 4


def test_a_speaker_that_was_added_asks_for_all_four(hall: Hall) -> None:
    prove(hall)
    factories.make_points(hall.run, 1, hall.speaker, happened_on=LATER)
    assert verdicts(proof_of(hall.run, LATER)) == ["to_repeat"] * 4
    prove(hall, LATER)
    assert proof_of(hall.run, LATER).proven


def test_a_test_that_another_took_the_place_of_counts_no_more(hall: Hall) -> None:
    first, *_ = prove(hall)
    supersede_test(factories.change(hall.site), test=first, passed=False)
    assert verdicts(proof_of(hall.run, LATER)) == ["failed", "passed", "passed", "passed"]


def test_a_test_that_was_made_before_the_change_after_all_has_to_be_repeated(hall: Hall) -> None:
    """It was written down with a later day: by its own day, the run was rewired since."""
    wrong, *_ = prove(hall, LATER)
    factories.make_points(hall.run, 1, hall.speaker, happened_on=LATER - dt.timedelta(days=30))
    assert proof_of(hall.run, LATER).proven
    supersede_test(factories.change(hall.site, happened_on=LATER), test=wrong, taken_on=BUILT_ON)
    assert verdicts(proof_of(hall.run, LATER)) == ["to_repeat", "passed", "passed", "passed"]


def test_the_survey_of_a_site_that_was_taken_over_stands_for_the_tests_of_what_it_found(hall: Hall) -> None:
    site_alter(factories.change(hall.site), surveyed_on=BUILT_ON)
    found = proof_of(hall.run, LATER)
    assert (found.proven, verdicts(found)) == (True, ["passed"] * 4)
    assert (
        found.sentence
        == f"Not tested, but found by the survey of {BUILT_ON}, and its wiring has not changed since."
    )
    assert (found.tests[0].test_id, found.tests[0].taken_on) == (None, BUILT_ON)
    assert found.tests[0].sentence == f"Continuity: the survey of {BUILT_ON} stands for it."


def test_after_a_change_a_survey_stands_for_what_the_change_did_not_touch(hall: Hall) -> None:
    site_alter(factories.change(hall.site), surveyed_on=BUILT_ON)
    change = factories.change(hall.site, happened_on=LATER)
    run_alter(change, run=hall.run, output=hall.gateway.outputs.get(number=2))
    found = proof_of(hall.run, LATER)
    assert verdicts(found) == ["passed", "passed", "to_repeat", "to_repeat"]
    assert found.sentence == "To be tested: polarity and tone trace."
    assert found.tests[2].sentence.startswith(
        f"Polarity: make it. The survey of {BUILT_ON} stood for it, and since then: The run was fed"
    )
