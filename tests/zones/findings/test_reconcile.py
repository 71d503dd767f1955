"""Findings over rechecks: opened once, changed, moved between cases, cleared; and what people did is kept."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from sites.models import Mark, Supply, SupplyFacts, User
from sites.models.changes import ChangeSet
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, NOW, Quay
from tests.zones.recording import device_model
from zones.electrical.evaluate import SOLVER_VERSION
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.findings import rechecked
from zones.findings.annotate import annotate
from zones.findings.in_words import FindingInWords
from zones.findings.services import finding_acknowledge, finding_defer, finding_set_outcome
from zones.models import Case, DueDate, Figures, Finding, Run
from zones.recheck.batch import check
from zones.recheck.recheck_queue import raise_due

LATER = NOW + dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)


@pytest.fixture
def dispatcher(db: None) -> User:
    return make_user(User.Role.DISPATCHER, first_name="Orla", last_name="Brisk")


def words_of(finding: Finding) -> FindingInWords:
    return annotate([finding])[finding.pk]


def everything(quay: Quay) -> list[Any]:
    return [
        *Finding.objects.filter(site_id=quay.site_id).order_by("id").values(),
        *Case.objects.filter(site_id=quay.site_id).order_by("id").values(),
        *(event.pk for event in quay.events()),
    ]


def test_what_is_within_its_limits_opens_nothing(quay: Quay) -> None:
    quay.check()
    assert everything(quay) == []


def test_a_later_addition_opens_a_finding_that_names_it(quay: Quay) -> None:
    added, _ = quay.add(12)
    quay.check()
    finding = quay.finding()
    assert (finding.state, Verdict(finding.verdict)) == (Finding.State.OPEN, Verdict.PAST)
    assert (finding.subject_kind, finding.subject_id) == (SubjectKind.SUPPLY, quay.supply.pk)
    assert finding.likely == pytest.approx(1.83)
    assert finding.limit_value == pytest.approx(1.6)
    assert finding.attribution["kind"] == "addition"
    assert finding.attribution["change_sets"] == [added.pk]
    assert words_of(finding).attribution["sentence"] == (
        "12 wall speakers added on 2026-05-04 by Tom Reed, job LS-2207: supply S1 went from 1.35 A to "
        "1.83 A; limit 1.60 A"
    )
    assert finding.case.change_set_id == added.pk
    assert quay.cases() == {f"change-set-{added.pk}": True}


def test_rechecking_again_changes_nothing(quay: Quay) -> None:
    quay.add(12)
    quay.check()
    before = everything(quay)
    quay.check(LATER)
    quay.check(LATER + 40 * DAY)
    assert everything(quay) == before


def test_a_new_name_changes_no_version_and_stands_in_the_sentence(quay: Quay) -> None:
    """A finding stores ids and values: its sentences are rendered when somebody reads them."""
    quay.add(12)
    quay.check()
    before = everything(quay)
    with quay.record.change(ADDED + DAY) as renaming:
        Supply.objects.filter(pk=quay.supply.pk).update(name="Dock supply", change_set_id=renaming.pk)
        Run.objects.filter(pk=quay.run.pk).update(name="R7", change_set_id=renaming.pk)
    quay.check(LATER)
    assert everything(quay) == before
    words = words_of(quay.finding())
    assert (
        words.sentence == "Supply Dock supply delivers 1.83 A (1.74 A to 1.92 A) during a page; limit 1.60 A."
    )
    assert "supply Dock supply went from 1.35 A to 1.83 A" in words.attribution["sentence"]
    stored = json.dumps(quay.finding().attribution)
    assert not [word for word in ("S1", "Dock", "speaker", "Tom", "LS-2207") if word in stored]


def test_the_order_and_number_of_rechecks_does_not_matter(db: None) -> None:
    """One site is rechecked after every change, another once at the end: the same is open, for the same
    reasons."""
    often, once = Quay(), Quay()
    for quay in (often, once):
        quay.cover()
    for quay in (once, often):
        _, added = quay.add(12)
        if quay is often:
            quay.check()
        quay.remove(added[:8], ADDED + DAY)
        if quay is often:
            quay.check(LATER)
        quay.add(8, ADDED + 2 * DAY)
        quay.check(LATER + DAY)

    def stored(quay: Quay) -> list[Any]:
        rows = Finding.objects.filter(site_id=quay.site_id, cleared_at__isnull=True).order_by("code")
        return [
            (f.code, f.verdict, round(f.likely or 0, 9), words_of(f).attribution["sentence"],
             f.attribution["day"], Case.objects.get(pk=f.case_id).change_set.step)  # type: ignore[union-attr]
            for f in rows
        ]  # fmt: skip

    assert stored(often) == stored(once)
    assert len(stored(once)) == 1
    assert "8 wall speakers added on 2026-05-06" in stored(once)[0][3]
    assert once.finding().opened_at == LATER + DAY


def test_a_finding_clears_with_its_case_and_keeps_its_outcome(quay: Quay, dispatcher: User) -> None:
    _, added = quay.add(12)
    quay.check()
    finding_set_outcome(
        finding=quay.finding(), user=dispatcher, outcome=Finding.Outcome.REPAIRED, reason="taken down"
    )
    quay.remove(added, ADDED + DAY)
    quay.check(LATER)
    finding = quay.finding()
    assert finding.state == Finding.State.CLEARED
    assert finding.cleared_at == LATER
    assert (finding.outcome, finding.state_by) == ("repaired", "Orla Brisk")
    assert list(quay.cases().values()) == [False]


def test_a_later_episode_is_another_finding_and_the_same_cause_the_same_case(quay: Quay) -> None:
    added, points = quay.add(12)
    quay.check()
    quay.correct(points, ADDED + DAY, speech_current_a=0.001)
    quay.check(LATER)
    assert [f.state for f in quay.findings()] == ["cleared"]
    correction = quay.correct(points, ADDED + 2 * DAY, speech_current_a=0.04)
    quay.check(LATER + DAY)
    first, second = quay.findings()
    assert (first.state, second.state) == ("cleared", "open")
    assert quay.cases() == {f"change-set-{added.pk}": False, f"change-set-{correction.pk}": True}
    # removed and put back: the standing step is the last one, which is a new cause
    quay.remove(points, ADDED + 3 * DAY)
    quay.check(LATER + 2 * DAY)
    again, _ = quay.add(12, ADDED + 4 * DAY)
    quay.check(LATER + 3 * DAY)
    assert quay.cases()[f"change-set-{again.pk}"]


def test_a_case_reopens_with_its_ticket(quay: Quay) -> None:
    """The same cause is past again, since what had cleared it was recorded wrongly: one ticket, opened "
    "again."""
    added, _ = quay.add(12)
    quay.check()
    Case.objects.filter(site_id=quay.site_id).update(ticket_reference="T-77")
    bigger = device_model("supply", rated_current_a=4.0, no_load_voltage_v=24.0, class_2_marked=True)
    with quay.record.change(ADDED + DAY):
        quay.record.make(SupplyFacts, supply=quay.supply, model=bigger)
    quay.check(LATER)
    assert quay.cases() == {f"change-set-{added.pk}": False}
    with quay.record.change(ADDED + 2 * DAY, kind=ChangeSet.Kind.CORRECTION) as correction:
        SupplyFacts.objects.filter(supply=quay.supply, model=bigger).update(
            model=quay.supply_model, change_set_id=correction.pk
        )
    quay.check(LATER + DAY)
    case = Case.objects.get(site_id=quay.site_id)
    assert case.cleared_at is None
    assert (case.opened_at, case.ticket_reference) == (LATER + DAY, "T-77")
    assert case.first_opened_at == NOW
    assert quay.kinds() == ["case.opened", "case.cleared", "case.opened"]
    assert len({event.case_key for event in quay.events()}) == 1


def test_a_cause_revised_by_a_correction_moves_the_finding(quay: Quay) -> None:
    added, points = quay.add(6)  # 1.35 + 6 × 0.04 = 1.59 A
    later, _ = quay.add(1, ADDED + DAY)  # 1.63 A: past
    quay.check()
    moved_from = quay.finding().pk
    assert quay.cases() == {f"change-set-{later.pk}": True}
    correction = quay.correct(
        points[:1], ADDED + 10 * DAY, speech_current_a=0.08
    )  # past since the six: 1.63 A
    quay.check(LATER)
    finding = quay.finding()
    assert finding.pk == moved_from
    assert finding.attribution["kind"] == "correction"
    assert finding.attribution["change_sets"] == [correction.pk, added.pk]
    assert quay.cases() == {f"change-set-{later.pk}": False, f"change-set-{correction.pk}": True}
    left, joined = quay.events()[-2:]
    assert left.kind == "case.cleared"
    assert left.body["changes"][0]["moved_to"] == finding.case.key
    assert joined.kind == "case.opened"


def test_what_is_past_at_the_baseline_is_as_found(db: None) -> None:
    quay = Quay(surveyed_on=ADDED)
    quay.cover()
    quay.add(12)
    quay.add(1, ADDED + DAY)
    quay.check()
    assert quay.finding().attribution["kind"] == "as_found"
    assert quay.cases() == {"as-found": True}
    assert Case.objects.get(site_id=quay.site_id).change_set is None


def test_findings_of_one_change_are_one_case(quay: Quay) -> None:
    with quay.record.change(ADDED - DAY):
        gateway = quay.record.endpoint()
        output = quay.record.output(gateway)
        second = quay.record.run("R2", supply=quay.supply, zone=quay.zone, output=output)
    with quay.record.change(ADDED) as added:
        quay.record.chain(second, 41, **quay.facts)
    quay.check()
    open_ones = Finding.objects.filter(site_id=quay.site_id)
    assert {f.code for f in open_ones} == {"supply_current", "output_speakers"}
    assert {f.case.key for f in open_ones} == {f"site-{quay.site_id}/change-set-{added.pk}"}
    assert quay.kinds() == ["case.opened"]


def test_another_verdict_is_a_change(quay: Quay) -> None:
    marked = 3
    quay.add(7, basis=marked, current_a=0.05)  # 1.70 A likely, 1.58 A at least
    quay.check()
    assert Verdict(quay.finding().verdict) is Verdict.PROBABLY_PAST
    quay.add(1, ADDED + DAY, current_a=0.06)
    quay.check(LATER)
    assert Verdict(quay.finding().verdict) is Verdict.PAST
    assert quay.finding().changed_at == LATER
    (changed,) = [e for e in quay.events() if e.kind == "case.changed"]
    (entry,) = changed.body["changes"]
    assert (entry["what"], entry["verdict_before"]) == ("worse", "probably_past")


def test_small_steps_add_up_to_a_change(quay: Quay) -> None:
    """5 % of the limit (0.08 A) since its last event, however many rechecks lie between."""
    quay.add(12)
    quay.check()
    version = quay.finding().version
    quay.add(1, ADDED + DAY, current_a=0.05)
    quay.check(LATER)
    finding = quay.finding()
    assert finding.likely == pytest.approx(1.88)
    assert (finding.changed_at, finding.version) == (NOW, version)
    assert quay.kinds() == ["case.opened"]
    quay.add(1, ADDED + 2 * DAY, current_a=0.05)
    quay.check(LATER + DAY)
    assert quay.finding().changed_at == LATER + DAY
    assert quay.finding().version > version
    assert quay.kinds() == ["case.opened", "case.changed"]
    assert quay.events()[-1].body["changes"][0]["what"] == "worse"


def test_an_acknowledgement_outlives_figures_and_verdicts(quay: Quay, dispatcher: User) -> None:
    quay.add(7, basis=3, current_a=0.05)
    quay.check()
    finding_acknowledge(finding=quay.finding(), user=dispatcher, reason="seen")
    quay.add(4, ADDED + DAY)
    quay.check(LATER)
    finding = quay.finding()
    assert Verdict(finding.verdict) is Verdict.PAST
    assert (finding.state, finding.state_by, finding.state_reason) == ("acknowledged", "Orla Brisk", "seen")


def test_a_deferral_ends_by_itself(quay: Quay, dispatcher: User) -> None:
    quay.add(12)
    quay.check()
    today = dt.datetime.now(dt.UTC)
    until = today.date() + 30 * DAY
    finding_defer(finding=quay.finding(), user=dispatcher, until=until, reason="parts ordered")
    due_at = dt.datetime.combine(until, dt.time.min, dt.UTC)
    assert list(DueDate.objects.filter(site_id=quay.site_id).values_list("at", flat=True)) == [due_at]

    quay.check(today)
    assert quay.finding().state == "deferred"
    assert DueDate.objects.filter(site_id=quay.site_id, at=due_at).exists(), "a recheck keeps the due date"

    # nothing is written that day but the mark which the sweep makes of the due date
    Mark.objects.filter(site_id=quay.site_id).delete()
    raise_due(due_at + dt.timedelta(seconds=1))
    assert Mark.objects.filter(site_id=quay.site_id).exists()
    check([quay.site_id], now=due_at + dt.timedelta(seconds=1))
    finding = quay.finding()
    assert (finding.state, finding.deferred_until) == ("open", None)
    assert finding.state_reason == "parts ordered"
    assert quay.kinds()[-1] == "case.changed"
    assert quay.events()[-1].body["changes"][0]["what"] == "reopened"


def test_what_cannot_be_judged_opens_nothing(quay: Quay) -> None:
    quay.add(4, basis=3, current_a=0.05)  # 1.55 A likely, 1.6475 A at most
    quay.check()
    assert quay.findings() == []


def test_a_failed_recheck_is_a_finding_until_one_succeeds(quay: Quay) -> None:
    quay.add(12)
    quay.check()
    rechecked.findings_failed(quay.site_id, "ValueError: no such factor", LATER)
    rechecked.findings_failed(quay.site_id, "ValueError: no such factor", LATER + DAY)
    finding = quay.finding("cannot_compute")
    assert (finding.subject_kind, finding.subject_id) == (SubjectKind.SITE, quay.site_id)
    assert finding.reasons == ["ValueError: no such factor"]
    assert (
        words_of(finding).sentence
        == f"{quay.record.site.name} cannot be computed: ValueError: no such factor."
    )
    assert finding.opened_at == LATER
    assert quay.finding().state == "open", "what is known otherwise stays open"
    assert quay.kinds() == ["case.opened", "case.opened"]
    quay.check(LATER + 2 * DAY)
    assert quay.finding("cannot_compute").state == "cleared"
    assert quay.finding().state == "open"
    assert quay.kinds() == ["case.opened", "case.opened", "case.cleared"]


def test_full_output_of_a_zone_whose_signal_is_not_recorded_is_near_and_opens_nothing(quay: Quay) -> None:
    """1.35 A at speech, half of full output: 2.70 A in chimes, of 1.60 A."""
    quay.check()
    stored = Figures.objects.get(subject_kind=SubjectKind.SUPPLY, subject_id=quay.supply.pk)
    at = stored.codes.index("supply_current_full_output")
    assert stored.likely[at] == pytest.approx(2.70)
    assert Verdict(stored.verdict[at]) is Verdict.NEAR
    assert everything(quay) == []


def test_a_new_formula_is_recorded_without_an_event(quay: Quay, monkeypatch: pytest.MonkeyPatch) -> None:
    added, _ = quay.add(12)
    now = added.created_at + DAY
    with monkeypatch.context() as old:
        old.setattr(rechecked, "conditions_of", lambda _checked: [])  # a formula by which nothing is past
        quay.check(now)
    assert quay.findings() == []
    with monkeypatch.context() as new:
        new.setattr(rechecked, "SOLVER_VERSION", SOLVER_VERSION + 1)
        quay.check(now + DAY)
    assert quay.finding().recomputed
    assert quay.finding().case.quiet
    assert quay.kinds() == []
    quay.check(now + 2 * DAY)
    assert quay.kinds() == [], "nothing new has happened since"
    quay.add(4, ADDED + DAY)
    quay.check(now + 3 * DAY)
    assert not quay.finding().recomputed
    assert quay.kinds() == ["case.opened"]


def test_a_change_before_the_first_recheck_with_a_new_formula_is_told(
    quay: Quay, monkeypatch: pytest.MonkeyPatch
) -> None:
    quay.check()
    quay.add(12)
    monkeypatch.setattr(rechecked, "SOLVER_VERSION", SOLVER_VERSION + 1)
    quay.check(LATER)
    assert not quay.finding().recomputed
    assert not quay.finding().case.quiet
    assert quay.kinds() == ["case.opened"]


def test_a_large_batch_of_sites_costs_as_many_queries_as_a_small_one(db: None) -> None:
    quays = [Quay() for _ in range(5)]
    for quay in quays:
        quay.cover()
        quay.add(12)

    def cost(sites: list[Quay]) -> int:
        with CaptureQueriesContext(
            connection,
        ) as queries:
            check([quay.site_id for quay in sites], now=NOW)
        return len(queries)

    assert cost(quays[:2]) == cost(quays[2:])
    assert [quay.kinds() for quay in quays] == [["case.opened"]] * 5


def test_the_database_keeps_one_open_finding_a_subject_and_limit(quay: Quay) -> None:
    quay.add(12)
    quay.check()
    twin = quay.finding()
    twin.pk = None
    with pytest.raises(IntegrityError, match="finding_one_open_a_subject_and_limit"), transaction.atomic():
        twin.save(force_insert=True)
