"""What was done on a visit: the tests that name it, and the changes of its day under its job."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.models.changes import ChangeSet
from sites.services.closets import closet_alter
from tests import factories
from tests.factories import BUILT_ON
from tests.halls import Hall
from zones.findings.annotate import Annotated
from zones.findings.visits import done_on, last_visits, visits_behind
from zones.loads.proofs import KIND_OF
from zones.models import Finding, Test, Visit
from zones.recheck.batch import check
from zones.services.tests import record_test, supersede_test
from zones.services.visits import visit_record

pytestmark = pytest.mark.django_db
DAY = BUILT_ON + dt.timedelta(days=100)
NEXT = DAY + dt.timedelta(days=1)
CURRENT: dict[str, Any] = {"kind": Test.Kind.RUN_CURRENT, "state": Test.State.PAGING}


def visited(hall: Hall, on: dt.date = DAY, technician: str = "Rune Aske", **said: Any) -> Visit:
    change = factories.change(hall.site, happened_on=on, job_reference=said.get("job_reference", ""))
    return visit_record(change, closet=hall.closet, visited_on=on, technician=technician, **said).result


def taken(hall: Hall, visit: Visit | None, **said: Any) -> Test:
    values = {"kind": Test.Kind.SHORTS, "passed": True, **said}
    if "value" in said:
        values.pop("passed")
    change = factories.change(hall.site, happened_on=NEXT)
    return record_test(change, run=hall.run, taken_on=DAY, visit=visit, **values).result


def moved(hall: Hall, room: str, on: dt.date = DAY, **said: Any) -> ChangeSet:
    return closet_alter(
        factories.change(hall.site, happened_on=on, **said), closet=hall.closet, room=room
    ).change_set


def test_its_tests_are_counted_by_what_they_came_to(hall: Hall) -> None:
    """Thirty speakers of 40 mA are 1.2 A ± 5 %; 2 A, give or take 10 %, is outside. Half a megohm of
    insulation fails."""
    visit = visited(hall)
    first = taken(hall, visit, passed=False)
    supersede_test(factories.change(hall.site, happened_on=NEXT), test=first, passed=True)
    taken(hall, visit, passed=False)
    taken(hall, visit, **CURRENT, value=2.0)
    taken(hall, visit, **CURRENT, value=1.2)
    taken(hall, visit, kind=Test.Kind.INSULATION, value=0.5e6, electronics_disconnected=True)
    taken(hall, None, passed=False)
    check([hall.site.pk])
    done = done_on([visit.pk])[visit.pk]
    assert (done.tests, done.failed, done.outside, done.changes) == (5, 2, 1, 0)
    assert done.sentence == (
        f"Visit on {DAY} to {hall.closet.name} by Rune Aske: 5 tests, 2 failed, 1 outside what is expected; "
        "no change."
    )


def test_its_changes_are_those_of_its_day_under_its_job(hall: Hall) -> None:
    visit, other = visited(hall, job_reference="T-9"), visited(hall, technician="Ines Lark")
    moved(hall, "1.1", job_reference="t-9")
    moved(hall, "1.2", job_reference="T-9", on=NEXT)
    moved(hall, "1.3", done_by="ines lark")
    moved(hall, "1.4", job_reference="T-9", done_by="Ines Lark")
    moved(hall, "1.5", actor="Ines Lark", done_by="Hallam Crew")
    done = done_on([visit.pk, other.pk])
    assert {pk: one.changes for pk, one in done.items()} == {visit.pk: 2, other.pk: 2}
    assert done[visit.pk].sentence.endswith("by Rune Aske, job T-9: no test; 2 changes.")


def test_the_last_visits_to_a_closet_as_of_a_day(hall: Hall) -> None:
    elsewhere = factories.make_closet(hall.site)
    change = factories.change(hall.site, happened_on=DAY)
    visit_record(change, closet=elsewhere, visited_on=DAY, technician="Rune Aske")
    first, second, third = (visited(hall, DAY + dt.timedelta(days=days)) for days in (0, 1, 2))
    asked = (hall.site.pk, hall.closet.pk)
    assert [one.id for one in last_visits(*asked, NEXT, 5)] == [second.pk, first.pk]
    assert [one.id for one in last_visits(*asked, NEXT + dt.timedelta(days=9), 2)] == [third.pk, second.pk]


def test_a_change_set_was_made_on_the_visit_that_its_tests_name_else_on_that_of_its_job(hall: Hall) -> None:
    visit = visited(hall, job_reference="T-9")
    changed = moved(hall, "1.1", job_reference="T-9")
    alone = moved(hall, "1.2")
    test = taken(hall, visit)
    found = visits_behind([changed.pk, alone.pk, test.change_set.pk])
    assert {pk: [one.id for one in of] for pk, of in found.items()} == {
        changed.pk: [visit.pk],
        test.change_set.pk: [visit.pk],
    }


def test_a_ticket_closes_with_the_visit_on_which_its_tests_were_made(hall: Hall) -> None:
    """Due a year after the day from which proofs are kept; tested five weeks late."""
    factories.keep_proofs(BUILT_ON)
    factories.make_coverage(factories.make_contract(hall.site.customer), hall.site)
    late = BUILT_ON + dt.timedelta(days=400)
    check([hall.site.pk], now=dt.datetime.combine(late, dt.time(12), dt.UTC))
    finding = Finding.objects.get(code="test_overdue", subject_id=hall.run.pk)
    visit = visited(hall, late, job_reference="T-9")
    for kind in KIND_OF.values():
        change = factories.change(hall.site, happened_on=late)
        record_test(change, kind=kind, run=hall.run, taken_on=late, visit=visit, passed=True)
    check([hall.site.pk], now=dt.datetime.combine(late, dt.time(13), dt.UTC))
    finding.refresh_from_db()
    text = Annotated([finding]).closing_text(finding)
    told = (
        f"Visit on {late} to {hall.closet.name} by Rune Aske, job T-9: 4 tests, none failed or outside what "
        "is expected; no change."
    )
    assert text.count(told) == 1
