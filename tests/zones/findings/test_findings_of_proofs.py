"""Tests that were not made in time, and runs in service that are not proven, as findings and cases."""

from __future__ import annotations

import datetime as dt
from importlib import import_module
from typing import Any

import pytest
from django.db import connection

from sites.models import Basis, Endpoint, EndpointFacts, Mark, Site
from sites.models.changes import ChangeSet
from sites.services.customers import coverage_remove
from sites.services.endpoints import endpoint_alter, endpoint_correct
from sites.services.sites import site_alter
from tests import factories
from tests.halls import Hall
from zones.findings.annotate import Annotated, annotate
from zones.findings.in_words import FindingInWords
from zones.limits.limit import Severity
from zones.loads.proofs import KIND_OF
from zones.loads.site_loads import loads_on
from zones.models import DueDate, DueTest, Finding, ProofsKept, Run, Test
from zones.recheck.batch import check
from zones.recheck.recheck_queue import raise_due
from zones.services.landings import PairUse, landing_add
from zones.services.tests import record_test

pytestmark = pytest.mark.django_db
DAY = dt.timedelta(days=1)
BUILT = factories.BUILT_ON
PROVEN = BUILT + 10 * DAY
OVERDUE, UNPROVEN = "test_overdue", "in_service_unproven"


def in_a_year(day: dt.date) -> dt.date:
    return day.replace(year=day.year + 1)


@pytest.fixture(autouse=True)
def proofs_are_kept_since_the_hall_was_built() -> None:
    factories.keep_proofs(BUILT)


def cover(hall: Hall) -> None:
    factories.make_coverage(factories.make_contract(hall.site.customer), hall.site)


def prove(run: Run, day: dt.date) -> None:
    change = factories.change(run.site, happened_on=day)
    for kind in KIND_OF.values():
        record_test(change, kind=kind, run=run, taken_on=day, passed=True)


def serve(hall: Hall, day: dt.date, **said: Any) -> ChangeSet:
    change = factories.change(hall.site, happened_on=day, **said)
    return endpoint_alter(change, endpoint=hall.gateway, service=EndpointFacts.Service.IN_SERVICE).change_set


def checked_on(site: Site, day: dt.date) -> None:
    Mark.objects.create(site=site)
    check([site.pk], now=dt.datetime.combine(day, dt.time(12), dt.UTC))


def open_of(code: str) -> list[Finding]:
    return list(Finding.objects.filter(code=code, cleared_at=None).order_by("subject_id"))


def words_of(finding: Finding) -> FindingInWords:
    return annotate([finding])[finding.pk]


def test_a_due_test_is_a_row_and_a_recheck_the_day_after(hall: Hall) -> None:
    cover(hall)
    prove(hall.run, PROVEN)
    checked_on(hall.site, PROVEN)
    due, other = DueTest.objects.order_by("-due_on")
    assert (due.run, due.due_on, due.proven_on) == (hall.run, in_a_year(PROVEN), PROVEN)
    assert (other.run, other.due_on, other.proven_on) == (hall.gangway_run, in_a_year(BUILT), None)
    falls = DueDate.objects.filter(reason="test falls due").values_list("at", flat=True)
    assert [at.date() for at in falls.order_by("at")] == [in_a_year(BUILT) + DAY, in_a_year(PROVEN) + DAY]
    Mark.objects.all().delete()
    raise_due(dt.datetime.combine(in_a_year(BUILT) + DAY, dt.time(3), dt.UTC))
    assert [mark.site for mark in Mark.objects.all()] == [hall.site]


def test_without_a_contract_no_test_is_due(hall: Hall) -> None:
    cover(hall)
    checked_on(hall.site, PROVEN)
    assert DueTest.objects.count() == 2
    coverage_remove(factories.change(), coverage=hall.site.coverages.get())
    checked_on(hall.site, PROVEN)
    assert not DueTest.objects.exists()


def test_a_due_test_says_what_holds_now_where_its_days_stay(hall: Hall) -> None:
    """The next contract has the same interval; and what a survey stood for was tested on its day."""
    cover(hall)
    site_alter(factories.change(hall.site), surveyed_on=PROVEN)
    checked_on(hall.site, PROVEN)
    before = DueTest.objects.get(run=hall.run)
    assert (before.due_on, before.proven_on, before.surveyed) == (in_a_year(PROVEN), PROVEN, True)
    coverage_remove(factories.change(), coverage=hall.site.coverages.get())
    cover(hall)
    checked_on(hall.site, PROVEN)
    after = DueTest.objects.get(run=hall.run)
    assert after.contract_id == hall.site.coverages.get().contract_id != before.contract_id
    prove(hall.run, PROVEN)
    checked_on(hall.site, PROVEN)
    after = DueTest.objects.get(run=hall.run)
    assert (after.due_on, after.proven_on, after.surveyed) == (in_a_year(PROVEN), PROVEN, False)


def test_a_due_test_says_the_last_proof_where_its_day_stays(hall: Hall) -> None:
    """Both proofs are older than the day from which proofs are kept, which the interval counts from."""
    cover(hall)
    since = PROVEN + 30 * DAY
    factories.keep_proofs(since)
    for proven in (PROVEN, PROVEN + DAY):
        prove(hall.run, proven)
        checked_on(hall.site, proven)
        due = DueTest.objects.get(run=hall.run)
        assert (due.due_on, due.proven_on) == (in_a_year(since), proven)


def test_a_recheck_that_finds_the_same_leaves_the_row_as_it_was(hall: Hall) -> None:
    """Or every calendar would take its entries for changed."""
    cover(hall)
    checked_on(hall.site, PROVEN)
    before = list(DueTest.objects.order_by("pk").values_list("pk", "changed_at"))
    assert len(before) == 2
    checked_on(hall.site, PROVEN + DAY)
    assert list(DueTest.objects.order_by("pk").values_list("pk", "changed_at")) == before
    prove(hall.run, PROVEN + DAY)
    checked_on(hall.site, PROVEN + DAY)
    changed = [
        pk for pk, at in DueTest.objects.values_list("pk", "changed_at") if at not in dict(before).values()
    ]
    assert changed == [DueTest.objects.get(run=hall.run).pk]


def test_a_test_that_was_not_made_in_time_is_a_finding_by_time(hall: Hall) -> None:
    cover(hall)
    prove(hall.run, PROVEN)
    prove(hall.gangway_run, PROVEN)
    due_on = in_a_year(PROVEN)
    checked_on(hall.site, due_on)
    assert open_of(OVERDUE) == []
    checked_on(hall.site, due_on + DAY)
    first, second = open_of(OVERDUE)
    assert (first.subject_id, second.subject_id) == (hall.run.pk, hall.gangway_run.pk)
    said = words_of(first)
    assert said.sentence == f"Run R1 was last proven on {PROVEN}; its test was due on {due_on}."
    assert said.title == f"{hall.site.code} test of run R1 overdue"
    assert said.attribution["cause"] == "time"
    assert said.attribution["sentence"] == f"Due on {due_on}, and not done since"
    assert (first.attribution["day"], first.attribution["change_sets"]) == (due_on.isoformat(), [])
    # one case a site and due day
    assert first.case == second.case
    assert first.case.key == f"site-{hall.site.pk}/test_overdue-{due_on}"
    assert first.case.change_set is None
    # a later recheck changes nothing about it
    checked_on(hall.site, due_on + 40 * DAY)
    assert [one.version for one in open_of(OVERDUE)] == [first.version, second.version]
    prove(hall.run, due_on + 41 * DAY)
    prove(hall.gangway_run, due_on + 41 * DAY)
    checked_on(hall.site, due_on + 41 * DAY)
    assert open_of(OVERDUE) == []
    first.refresh_from_db()
    text = Annotated([first]).closing_text(first)
    assert "Test of run R1 overdue before; tested, or no longer due after." in text


def test_runs_that_fall_due_on_two_days_are_two_cases(hall: Hall) -> None:
    cover(hall)
    prove(hall.run, PROVEN)
    checked_on(hall.site, in_a_year(PROVEN) + DAY)
    keys = {one.subject_id: one.case.key.rpartition("/")[2] for one in open_of(OVERDUE)}
    assert keys == {
        hall.run.pk: f"test_overdue-{in_a_year(PROVEN)}",
        hall.gangway_run.pk: f"test_overdue-{in_a_year(BUILT)}",
    }
    gangway = open_of(OVERDUE)[1]
    assert words_of(gangway).sentence == (
        f"Run R2 has no complete proof; its test was due on {in_a_year(BUILT)}."
    )


def test_no_test_is_due_before_this_release_and_the_interval(hall: Hall) -> None:
    cover(hall)
    since = BUILT + 400 * DAY
    factories.keep_proofs(since)
    checked_on(hall.site, since)
    assert set(DueTest.objects.values_list("due_on", flat=True)) == {in_a_year(since)}


def test_the_day_from_which_proofs_are_kept_is_that_of_the_migration() -> None:
    ProofsKept.objects.all().delete()
    with connection.cursor() as cursor:
        cursor.execute(import_module("zones.migrations.0027_proofs_kept").KEPT)
        cursor.execute("SELECT current_date")
        (today,) = cursor.fetchone()
    assert ProofsKept.objects.get().since == today


def test_a_run_in_service_unproven_names_the_change_that_put_it_there(hall: Hall) -> None:
    made = serve(hall, PROVEN, reason="the terminal opens tomorrow", done_by="T. Wilk")
    checked_on(hall.site, PROVEN)
    first, second = open_of(UNPROVEN)
    assert (first.subject_id, second.subject_id) == (hall.run.pk, hall.gangway_run.pk)
    said = words_of(first)
    assert said.sentence == (
        "Run R1 is in service and not proven: continuity, shorts, polarity and tone trace have to pass."
    )
    assert said.limit.severity is Severity.SILENCE
    assert first.attribution["change_sets"] == [made.pk]
    assert said.attribution["sentence"].startswith(
        f"Device of output 1 of GW 1 put in service on {PROVEN} by T. Wilk"
    )
    assert said.attribution["change"]["change_set"]["reason"] == "the terminal opens tomorrow"
    assert first.case == second.case
    # what is in service unproven is in the answers of the run too
    codes = [load.code for load in loads_on(hall.site.pk, PROVEN).loads if load.verdict.name == "PAST"]
    assert codes.count(UNPROVEN) == 2
    prove(hall.run, PROVEN + DAY)
    checked_on(hall.site, PROVEN + DAY)
    assert [one.subject_id for one in open_of(UNPROVEN)] == [hall.gangway_run.pk]


def test_a_proven_run_that_is_rewired_in_service_names_the_rewiring(hall: Hall) -> None:
    prove(hall.run, PROVEN)
    prove(hall.gangway_run, PROVEN)
    serve(hall, PROVEN)
    checked_on(hall.site, PROVEN)
    assert open_of(UNPROVEN) == []
    change = factories.change(hall.site, happened_on=PROVEN + 5 * DAY, done_by="Hallam Crew")
    landed = landing_add(change, block=hall.block, row=9, pair=2, carries=PairUse.DC, run=hall.run)
    checked_on(hall.site, PROVEN + 5 * DAY)
    (finding,) = open_of(UNPROVEN)
    assert finding.subject_id == hall.run.pk
    assert finding.attribution["change_sets"] == [landed.change_set.pk]
    assert (
        words_of(finding)
        .attribution["sentence"]
        .startswith(f"2 conductors landed on {PROVEN + 5 * DAY} by Hallam Crew")
    )


def test_a_test_that_fails_in_service_is_named(hall: Hall) -> None:
    prove(hall.run, PROVEN)
    prove(hall.gangway_run, PROVEN)
    serve(hall, PROVEN)
    # typed the morning after, together with one that passed
    change = factories.change(hall.site, happened_on=PROVEN + 6 * DAY, done_by="Hallam Crew")
    failed = record_test(change, kind=Test.Kind.SHORTS, run=hall.run, taken_on=PROVEN + 5 * DAY, passed=False)
    record_test(change, kind=Test.Kind.POLARITY, run=hall.run, taken_on=PROVEN + 5 * DAY, passed=True)
    checked_on(hall.site, PROVEN + 6 * DAY)
    (finding,) = open_of(UNPROVEN)
    assert failed.change_set.pk in finding.attribution["change_sets"]
    attribution = words_of(finding).attribution
    assert attribution["change"]["what"] == "1 test failed"
    assert attribution["sentence"].startswith(f"1 test failed on {PROVEN + 5 * DAY} by Hallam Crew")


def test_what_was_recorded_in_service_before_proofs_were_kept_is_left_out(hall: Hall) -> None:
    made = serve(hall, PROVEN)
    assert made.recorded_at is not None
    day = made.recorded_at.date()
    # and stays so where something else of the device is recorded later
    for since, found in ((day, 2), (day + DAY, 0)):
        factories.keep_proofs(since)
        checked_on(hall.site, PROVEN + DAY)
        assert len(open_of(UNPROVEN)) == found
    gateway = Endpoint.objects.get(pk=hall.gateway.pk)
    endpoint_alter(
        factories.change(hall.site, happened_on=PROVEN + 2 * DAY), endpoint=gateway, address="10.1.0.77"
    )
    checked_on(hall.site, PROVEN + 3 * DAY)
    assert open_of(UNPROVEN) == []


def test_a_later_correction_asks_for_no_proof_of_what_was_in_service_before(hall: Hall) -> None:
    """Put in service 40 days before proofs were kept; today its row is written again, for a cable that was
    measured. Only what is recorded to be in service from now on is asked for."""
    made = serve(hall, PROVEN)
    recorded_days_ago(40, made)
    factories.keep_proofs(dt.datetime.now(dt.UTC).date() - 20 * DAY)
    checked_on(hall.site, PROVEN + DAY)
    assert open_of(UNPROVEN) == []
    gateway = Endpoint.objects.get(pk=hall.gateway.pk)
    change = factories.change(hall.site)
    corrected = endpoint_correct(
        change, endpoint=gateway, held_on=PROVEN, cable_length_m=31.0, cable_length_basis=Basis.MEASURED
    )
    assert made.step is not None
    facts = EndpointFacts.objects.get(endpoint=gateway, step=made.step)
    assert (facts.change_set_id, facts.cable_length_m) == (corrected.change_set.pk, 31.0)
    checked_on(hall.site, PROVEN + 2 * DAY)
    assert open_of(UNPROVEN) == []
    # what only the correction says to be in service is asked for
    recorded_days_ago(0, made)
    checked_on(hall.site, PROVEN + 3 * DAY)
    assert len(open_of(UNPROVEN)) == 2


def recorded_days_ago(days: int, change_set: ChangeSet) -> None:
    """As if a change set had been recorded then. A test of a past that no operation can write."""
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        cursor.execute("ALTER TABLE change_set DISABLE TRIGGER USER")
        cursor.execute(
            "UPDATE change_set SET recorded_at = now() - make_interval(days => %s) WHERE id = %s",
            [days, change_set.pk],
        )
        cursor.execute("ALTER TABLE change_set ENABLE TRIGGER USER")
        cursor.execute("SET CONSTRAINTS ALL DEFERRED")
