"""Several tests of one day: which of them counts, and whether that day's changes came before or after."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.models import Basis
from sites.services.sites import site_alter
from tests import factories
from tests.factories import BUILT_ON
from tests.halls import Hall
from zones.electrical.calibration import anchor
from zones.electrical.point_loads import point_loads
from zones.loads.outcomes import Outcome, Verdict, outcomes_of
from zones.loads.proofs import KIND_OF, ProofOfRun, proof_of
from zones.loads.trends import trends_of
from zones.models import Test
from zones.plant.selectors import read_plant
from zones.services.runs import run_alter
from zones.services.tests import record_test, supersede_test
from zones.sheets.commissioning import commissioning_record

pytestmark = pytest.mark.django_db
LATER = BUILT_ON + dt.timedelta(days=400)
FOUND, LEFT = Test.TakenAs.AS_FOUND, Test.TakenAs.AS_LEFT
CURRENT: dict[str, Any] = {"kind": Test.Kind.RUN_CURRENT, "state": Test.State.PAGING}


def taken(hall: Hall, on: dt.date = LATER, **said: Any) -> Test:
    named: dict[str, Any] = {} if "switch" in said else {"run": hall.run}
    return record_test(factories.change(hall.site, happened_on=on), taken_on=on, **named, **said).result


def prove(hall: Hall, on: dt.date = LATER, **said: Any) -> None:
    for kind in KIND_OF.values():
        taken(hall, on, kind=kind, passed=True, **said)


def repatch(hall: Hall) -> None:
    """After which polarity and tone trace are to be repeated."""
    change = factories.change(hall.site, happened_on=LATER)
    run_alter(change, run=hall.run, output=hall.gateway.outputs.get(number=2))


def verdicts(found: ProofOfRun) -> list[str]:
    return [one.verdict for one in found.tests]


def outcome(test: Test) -> Outcome:
    (found,) = outcomes_of([Test.objects.get(pk=test.pk)])
    return found


@pytest.mark.parametrize(
    ("recorded_first", "recorded_next", "verdict"),
    [
        # by their times, in any order of recording: a phone sends in the evening what it kept in a basement
        ({"passed": False, "taken_at": "09:00"}, {"passed": True, "taken_at": "11:00"}, "passed"),
        ({"passed": True, "taken_at": "11:00"}, {"passed": False, "taken_at": "09:00"}, "passed"),
        ({"passed": False, "taken_at": "11:00"}, {"passed": True, "taken_at": "09:00"}, "failed"),
        # where one has no time as found is first, and else as they were recorded
        ({"passed": True, "taken_as": LEFT}, {"passed": False, "taken_as": FOUND}, "passed"),
        ({"passed": True}, {"passed": False}, "failed"),
        ({"passed": False}, {"passed": True}, "passed"),
        ({"passed": False}, {"passed": True, "taken_at": "15:00"}, "passed"),
        ({"passed": False, "taken_at": "15:00"}, {"passed": True}, "passed"),
        ({"passed": True, "taken_as": LEFT},
         {"passed": False, "taken_as": FOUND, "taken_at": "09:00"}, "passed"),
        # found so on a second visit that day
        ({"passed": True, "taken_as": LEFT, "taken_at": "10:00"},
         {"passed": False, "taken_as": FOUND, "taken_at": "17:00"}, "failed"),
    ],
)  # fmt: skip
def test_of_several_tests_of_a_day_the_one_taken_last_counts(
    hall: Hall, recorded_first: dict[str, Any], recorded_next: dict[str, Any], verdict: str
) -> None:
    prove(hall, BUILT_ON)
    last = [taken(hall, kind=Test.Kind.SHORTS, **said) for said in (recorded_first, recorded_next)]
    found = proof_of(hall.run, LATER)
    assert verdicts(found) == ["passed", verdict, "passed", "passed"]
    assert found.tests[1].test_id == next(one.pk for one in last if one.passed is (verdict == "passed"))
    (run,) = commissioning_record(hall.zone, LATER).runs
    assert [one.id for one in run.tests if one.kind == Test.Kind.SHORTS] == [found.tests[1].test_id]


def test_a_test_that_was_recorded_again_stands_where_the_wrong_one_stood(hall: Hall) -> None:
    """Failed, repaired, passed; then somebody corrects a name in the first of the two, and again."""
    prove(hall, BUILT_ON)
    failed = taken(hall, kind=Test.Kind.SHORTS, passed=False)
    passed = taken(hall, kind=Test.Kind.SHORTS, passed=True)
    for name in ("Ines Holloran", "Ines Halloran"):
        change = factories.change(hall.site, happened_on=LATER)
        failed = supersede_test(change, test=failed, technician=name).result
    found = proof_of(hall.run, LATER)
    assert (verdicts(found), found.tests[1].test_id) == (["passed"] * 4, passed.pk)
    (run,) = commissioning_record(hall.zone, LATER).runs
    assert [one.id for one in run.tests if one.kind == Test.Kind.SHORTS] == [passed.pk]


def test_what_passed_as_found_is_to_be_repeated_after_the_work_of_that_day(hall: Hall) -> None:
    prove(hall, taken_as=FOUND)
    repatch(hall)
    assert verdicts(proof_of(hall.run, LATER)) == ["passed", "passed", "to_repeat", "to_repeat"]
    prove(hall, taken_as=LEFT)
    assert proof_of(hall.run, LATER).proven


@pytest.mark.parametrize("said", [{}, {"taken_as": LEFT}])
def test_any_other_test_counts_after_all_changes_of_its_day(hall: Hall, said: dict[str, Any]) -> None:
    prove(hall, **said)
    repatch(hall)
    assert proof_of(hall.run, LATER).proven


def test_what_was_recorded_on_its_first_day_is_recorded_as_it_was_found(hall: Hall) -> None:
    prove(hall, BUILT_ON, taken_as=FOUND)
    assert proof_of(hall.run, BUILT_ON).proven


def test_what_a_survey_recorded_is_recorded_as_it_was_found(hall: Hall) -> None:
    """Of several outputs that lead nowhere the survey found the right one. A test of its day counts more
    than the survey, which only saw the run."""
    site_alter(factories.change(hall.site), surveyed_on=LATER)
    prove(hall, taken_as=FOUND)
    repatch(hall)
    assert proof_of(hall.run, LATER).proven
    taken(hall, kind=Test.Kind.SHORTS, passed=False, taken_as=FOUND)
    assert verdicts(proof_of(hall.run, LATER)) == ["passed", "failed", "passed", "passed"]


def test_what_was_read_as_found_is_held_against_the_record_before_that_days_work(hall: Hall) -> None:
    """Thirty speakers of 40 mA are 1.2 A ± 5 %, three more 1.32 A ± 5 %, a reading ± 2 %: 1.20 A as left is
    outside by 1.32 × 0.95 − 1.20 × 1.02 A."""
    found = taken(hall, **CURRENT, value=1.2, instrument_error=0.02, taken_as=FOUND)
    left = taken(hall, **CURRENT, value=1.2, instrument_error=0.02, taken_as=LEFT)
    factories.make_points(
        hall.run, 3, hall.speaker, happened_on=LATER, length_m=1.0, speech_current_a=0.04,
        current_basis=Basis.MEASURED,
    )  # fmt: skip
    assert outcome(found).verdict == Verdict.AS_EXPECTED
    assert outcome(left).verdict == Verdict.OUTSIDE
    assert outcome(left).outside_by == pytest.approx(1.32 * 0.95 - 1.2 * 1.02)


def test_a_voltage_as_found_at_a_point_of_that_day_is_held_against_the_record_with_it(hall: Hall) -> None:
    (point,) = factories.make_points(hall.run, 1, hall.speaker, happened_on=LATER, length_m=1.0)
    said: dict[str, Any] = {
        "kind": Test.Kind.END_VOLTAGE,
        "state": Test.State.PAGING,
        "point": point,
        "value": 0.5,
    }
    assert outcome(taken(hall, **said, taken_as=FOUND)).verdict == Verdict.OUTSIDE


def test_of_several_readings_of_a_day_the_one_taken_last_stands(hall: Hall) -> None:
    """The loose joint was found by it and mended: what was read before disagrees no more."""
    taken(hall, **CURRENT, value=1.2, taken_at="11:00")
    first = taken(hall, **CURRENT, value=0.3, taken_at="09:00")
    plant = read_plant([hall.site.pk])
    found = anchor(plant, point_loads(plant)).readings
    ends = dict(zip(found.reading_id.tolist(), (found.end - found.begin).tolist(), strict=True))
    assert ends.pop(first.pk) == 0
    assert [end > 0 for end in ends.values()] == [True]
    (trend,) = trends_of(hall.run, LATER).trends
    assert [one.value for one in trend.readings] == [0.3, 1.2]


def test_of_several_powers_of_a_day_the_one_read_last_counts(hall: Hall) -> None:
    said: dict[str, Any] = {"kind": Test.Kind.POE_POWER, "state": Test.State.IDLE, "switch": hall.switch}
    taken(hall, **said, power_group=1, value=48.0, taken_at="14:00")
    taken(hall, **said, power_group=1, value=20.0, taken_at="03:00")
    taken(hall, **said, value=70.0, taken_at="02:00")
    assert read_plant([hall.site.pk]).poe_readings.power_w.tolist() == [48.0]
