"""Events: of what, how often and to whom; each has all that a dispatcher needs, and no secret."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import pytest
from django.core.serializers.json import DjangoJSONEncoder
from django.db.backends.postgresql.psycopg_any import DateRange

from sites.models import ChangeSet, Closet, Contact, Contract, Coverage, Event, Secret, Site, User
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, BUILT, NOW, Quay
from tests.zones.recording import shared_change
from zones.findings.services import finding_acknowledge, finding_defer, finding_reopen
from zones.models import Case, DueDate, Finding, Point, PointFacts, Takeover, Zone
from zones.rules.points import DEVICE_KINDS

LATER = NOW + dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)
TAKEOVER: dict[str, Any] = {"kind": ChangeSet.Kind.TAKEOVER, "quiet": True}


@pytest.fixture
def dispatcher(db: None) -> User:
    return make_user(User.Role.DISPATCHER, first_name="Orla", last_name="Brisk")


def test_an_opened_case_says_all_that_a_dispatcher_needs(quay: Quay) -> None:
    with quay.record.change(BUILT):
        Closet.objects.filter(pk=quay.record.closet.pk).update(
            building="Ticket hall", opened_by="harbour office, 6 to 22", key_location="security desk",
            escort="from the port authority", dangers="chlorine next door", ladder_m=4.0,
            change_set_id=ChangeSet.objects.latest("id").pk,
        )  # fmt: skip
        quay.record.make(
            Contact, closet=quay.record.closet, role=Contact.Role.KEY_HOLDER, name="P. Wick", phone="555-0102"
        )
        quay.record.make(Contact, role=Contact.Role.SITE, name="A. Stern", phone="555-0101")
    Secret.objects.create(
        site_id=quay.site_id, closet=quay.record.closet, kind="door", label="plant room door",
        ciphertext=b"4711", written_by=make_user(),
    )  # fmt: skip
    with shared_change():
        holidays = [dt.date(2026, 12, 25), dt.date(2027, 1, 1)]
        Contract.objects.filter(customer=quay.record.customer).update(holidays=holidays)
    added, _ = quay.add(12)
    quay.check()
    (event,) = quay.events()
    case = Case.objects.get(site_id=quay.site_id)
    body = event.body
    assert (event.kind, event.subject, event.case_key) == ("case.opened", f"cases/{case.pk}", case.key)
    assert event.customer_id == quay.record.customer.pk
    assert event.happened_at == NOW
    assert body["customer"]["name"] == "Strand Ferries"
    assert body["site"]["code"] == quay.record.site.code
    (closet,) = body["closets"]
    assert closet["opened_by"] == "harbour office, 6 to 22"
    assert closet["key"] == "ask the site contact"
    assert "security desk" not in json.dumps(body), "the place of a key is in no event"
    assert {contact["name"] for contact in body["contacts"]} == {"P. Wick", "A. Stern"}
    assert body["contract"]["response_hours"] == 8
    assert body["contract"]["holidays"] == ["2026-12-25", "2027-01-01"]
    (finding,) = body["findings"]
    assert finding["subject"] == {"kind": "supply", "id": quay.supply.pk, "name": "supply S1"}
    assert finding["closet"] == quay.record.closet.pk
    # ± 5 %, as they are written in JSON: no last bits of a sum
    assert finding["figure"] == {"low": 1.7385, "likely": 1.83, "high": 1.9215}
    assert (finding["limit"], finding["unit"], finding["verdict"]) == (pytest.approx(1.6), "A", "past")
    assert finding["zones"] == [{"id": quay.zone.pk, "name": "Ticket hall", "life_safety": "unknown"}]
    assert finding["sentence"].startswith("Supply S1 delivers 1.83 A")
    assert finding["attribution"]["change_set_ids"] == [added.pk]
    assert "12 wall speakers added" in finding["attribution"]["sentence"]
    title = f"{quay.record.site.code} supply S1: 1.83 A, limit 1.60 A"
    assert (body["case"]["title"], finding["title"]) == (title, title)
    assert body["changes"] == [
        {"what": "joined", "finding": finding["id"], "verdict_before": "within", "moved_to": None}
    ]
    assert {caution["code"] for caution in body["cautions"]} == {
        "disconnect", "wiring_classes", "life_safety", "ladder", "gas", "danger",
    }  # fmt: skip
    assert body["link"] == f"/api/v1/cases/{case.pk}"
    text = json.dumps(body, cls=DjangoJSONEncoder)
    assert "4711" not in text
    assert "plant room door" not in text


def test_cautions_show_where_they_matter(quay: Quay) -> None:
    with quay.record.change(BUILT) as said:
        Zone.objects.filter(pk=quay.zone.pk).update(life_safety="no", change_set_id=said.pk)
    quay.add(12)
    quay.check()
    (event,) = quay.events()
    assert {caution["code"] for caution in event.body["cautions"]} == {"disconnect", "wiring_classes"}
    assert event.body["life_safety"] == "no"


def test_a_site_without_a_contract_has_findings_and_no_events(db: None) -> None:
    quay = Quay()
    quay.add(12)
    quay.check()
    assert quay.finding().state == "open"
    assert quay.events() == []
    assert not Event.objects.filter(site_id=quay.site_id).exists(), "not of its change sets either"


def test_a_contract_that_lapsed_counts_as_none(db: None) -> None:
    quay = Quay()
    contract = quay.cover()
    with shared_change():
        Coverage.objects.filter(contract=contract).update(days=DateRange(BUILT, NOW.date()))
    quay.add(12)
    quay.check()
    assert quay.events() == []


def test_when_a_contract_begins_its_open_cases_make_events(db: None) -> None:
    quay = Quay()
    begins = NOW.date() + 10 * DAY
    quay.cover(begins)
    quay.add(12)
    quay.check()
    assert quay.events() == []
    at = dt.datetime.combine(begins, dt.time.min, dt.UTC)
    assert list(DueDate.objects.filter(site_id=quay.site_id).values_list("at", flat=True)) == [at]
    quay.check(at)
    assert quay.kinds() == ["case.opened"]
    quay.check(at + DAY)
    assert quay.kinds() == ["case.opened"]


def test_a_site_that_is_still_being_built_opens_no_case(db: None) -> None:
    begins = NOW.date() + 10 * DAY
    quay = Quay(commissioned_on=begins)
    quay.cover()
    _, added = quay.add(12)  # 27 × 0.05 + 12 × 0.04 = 1.83 A of 1.60 A
    quay.check()
    assert quay.finding().verdict_word == "past"
    assert quay.cases() == {"as-found": True}
    assert quay.events() == []
    at = dt.datetime.combine(begins, dt.time.min, dt.UTC)
    due = DueDate.objects.get(site_id=quay.site_id)
    assert (due.at, due.reason) == (at, "site goes into service")
    quay.check(at - dt.timedelta(minutes=1))
    assert quay.events() == []
    quay.check(at)
    assert quay.kinds() == ["case.opened"]
    (finding,) = quay.events()[0].body["findings"]
    assert finding["attribution"]["sentence"].startswith(f"As found at commissioning on {begins}: ")
    assert not DueDate.objects.filter(site_id=quay.site_id).exists()
    # what was told already is closed, even where the record then says that it is not in service yet
    with quay.record.change(BUILT) as change_set:
        Site.objects.filter(pk=quay.site_id).update(
            commissioned_on=begins + 90 * DAY, change_set_id=change_set.pk
        )
    quay.remove(added, NOW.date())
    quay.check(at + DAY)
    assert quay.kinds() == ["case.opened", "case.cleared"]


def test_on_the_first_day_nothing_is_told_yet(db: None) -> None:
    quay = Quay()
    quay.cover()
    quay.add(12, BUILT)
    first = dt.datetime.combine(BUILT, dt.time(17), dt.UTC)
    quay.check(first)
    assert (quay.finding().verdict_word, quay.events()) == ("past", [])
    (due,) = DueDate.objects.filter(site_id=quay.site_id).values_list("at", flat=True)
    assert due == dt.datetime.combine(BUILT + DAY, dt.time.min, dt.UTC)
    quay.check(due)
    assert quay.kinds() == ["case.opened"]
    assert quay.events()[0].case_key == f"site-{quay.site_id}/as-found"


def test_probably_past_makes_an_event_only_where_the_contract_says_so(db: None) -> None:
    asked, not_asked = Quay(), Quay()
    asked.cover()
    not_asked.cover(probably_past_opens_cases=False)
    for quay in (asked, not_asked):
        quay.add(7, basis=3, current_a=0.05)
        quay.check()
    assert asked.kinds() == ["case.opened"]
    assert not_asked.kinds() == []
    # once it is over there is no question left
    for quay in (asked, not_asked):
        quay.add(4, ADDED + DAY)
        quay.check(LATER)
    assert asked.kinds() == ["case.opened", "case.changed"]
    assert not_asked.kinds() == ["case.opened"]


def test_a_cleared_case_makes_an_event_with_its_last_findings(quay: Quay) -> None:
    _, points = quay.add(12)
    quay.check()
    quay.remove(points, ADDED + DAY)
    quay.check(LATER)
    opened, cleared = quay.events()
    assert cleared.kind == "case.cleared"
    assert cleared.case_key == opened.case_key
    (finding,) = cleared.body["findings"]
    assert finding["state"] == "cleared"
    assert cleared.body["changes"][0]["what"] == "left"
    assert cleared.body["case"]["cleared_at"] is not None


def test_a_finding_that_joins_an_open_case_is_a_change(db: None) -> None:
    quay = Quay(surveyed_on=ADDED)
    quay.cover()
    with quay.record.change(ADDED - DAY):
        output = quay.record.output(quay.record.endpoint())
        second = quay.record.run("R2", supply=quay.supply, zone=quay.zone, output=output)
    with quay.record.change(ADDED) as added:
        quay.record.chain(second, 30, **quay.facts)  # 57 × 0.05 = 2.85 A
    quay.check()
    assert quay.kinds() == ["case.opened"]
    # 41 speakers on an output for 40, known since a count: as found as well
    with quay.record.change(ADDED + DAY, kind=ChangeSet.Kind.CORRECTION):
        last, step = second.points.order_by("rank").last(), added.step
        assert last is not None
        assert step is not None
        for k in range(11):
            point = quay.record.make(Point, run=second, name=f"found {k}", rank=last.rank + 1)
            PointFacts.objects.create(
                site_id=quay.site_id, run=second, point=point, rank=point.rank, parent=last,
                parent_rank=last.rank, step=step, length_basis=4, dc_pairs=1,
                device_kind=DEVICE_KINDS[quay.facts["model"].kind], **quay.facts,
            )  # fmt: skip
            last = point
    quay.check(LATER)
    assert {f.code: f.case.key for f in Finding.objects.filter(site_id=quay.site_id)} == {
        "supply_current": f"site-{quay.site_id}/as-found",
        "output_speakers": f"site-{quay.site_id}/as-found",
    }
    changed = quay.events()[-1]
    assert changed.kind == "case.changed"
    assert sorted(entry["what"] for entry in changed.body["changes"]) == ["joined", "worse"]


def taken_over(**site: Any) -> Quay:
    """Imported with all its history, past its limits already: of a quiet first import."""
    quay = Quay(surveyed_on=ADDED, **site)
    quay.add(12, ADDED - DAY, **TAKEOVER)
    quay.add(1, ADDED, **TAKEOVER)
    return quay


def test_a_first_import_is_summed_up_once(db: None) -> None:
    quay = taken_over()
    quay.cover()
    quay.check()
    (event,) = quay.events()
    assert (event.kind, event.subject, event.case_key) == ("site.taken_over", f"sites/{quay.site_id}", "")
    assert event.body["counts"] == {"past": 1}
    (case,) = event.body["cases"]
    assert case["key"] == f"site-{quay.site_id}/as-found"
    assert case["findings"][0]["subject"]["name"] == "supply S1"
    assert Case.objects.get(pk=case["id"]).quiet
    quay.check(LATER)
    assert quay.kinds() == ["site.taken_over"]


def test_a_clean_first_import_makes_an_event_as_well(db: None) -> None:
    quay = Quay(surveyed_on=ADDED)
    quay.cover()
    quay.add(1, ADDED, **TAKEOVER)
    quay.check()
    quay.check(LATER)
    (event,) = quay.events()
    assert (event.kind, event.body["cases"]) == ("site.taken_over", [])
    # events are pruned after a while: the summary still does not come again
    Event.objects.all().delete()
    quay.check(LATER + 90 * DAY)
    assert quay.events() == []
    assert Takeover.objects.get(site_id=quay.site_id).notified_at == NOW


def test_what_happens_after_the_first_import_makes_events(db: None) -> None:
    quay = taken_over()
    quay.cover()
    quay.check()
    with quay.record.change(ADDED + 5 * DAY):
        output = quay.record.output(quay.record.endpoint())
        second = quay.record.run("R2", zone=quay.zone, output=output)
    with quay.record.change(ADDED + 6 * DAY) as added:
        quay.record.chain(second, 41, **quay.facts)
    quay.check(LATER)
    assert quay.kinds() == ["site.taken_over", "case.opened"]
    assert quay.events()[-1].case_key == f"site-{quay.site_id}/change-set-{added.pk}"
    # and a case of the summary is closed like any other
    with quay.record.change(ADDED + 7 * DAY) as ended:
        quay.record.end(quay.run, ended)
    quay.check(LATER + DAY)
    assert quay.kinds()[-1] == "case.cleared"
    assert quay.events()[-1].case_key == f"site-{quay.site_id}/as-found"


def test_a_later_quiet_import_makes_no_event_of_a_case_that_had_one(db: None) -> None:
    """What it adds to the case stands in the record, and makes no event of its own."""
    quay = taken_over()
    quay.cover()
    quay.check()
    with quay.record.change(ADDED, **TAKEOVER):
        output = quay.record.output(quay.record.endpoint())
        second = quay.record.run("R2", zone=quay.zone, output=output)
        quay.record.chain(second, 41, **quay.facts)
    quay.check(LATER)
    codes = {finding.code for finding in Finding.objects.filter(site_id=quay.site_id)}
    assert codes == {"supply_current", "output_speakers"}
    assert quay.cases() == {"as-found": True}
    assert quay.kinds() == ["site.taken_over"]


def test_a_second_summary_leaves_out_the_cases_of_the_first(db: None) -> None:
    quay = taken_over()
    quay.cover()
    quay.check()
    with quay.record.change(ADDED + DAY, **TAKEOVER) as later:
        output = quay.record.output(quay.record.endpoint())
        second = quay.record.run("R2", zone=quay.zone, output=output)
        quay.record.chain(second, 41, **quay.facts)
    quay.check(LATER)
    assert quay.cases() == {"as-found": True, f"change-set-{later.pk}": True}
    assert quay.kinds() == ["site.taken_over"] * 2
    keys = [[case["key"] for case in event.body["cases"]] for event in quay.events()]
    assert keys == [[f"site-{quay.site_id}/as-found"], [f"site-{quay.site_id}/change-set-{later.pk}"]]


def test_a_site_taken_over_before_its_contract_is_summed_up_when_that_begins(db: None) -> None:
    quay = taken_over()
    quay.check()
    assert quay.events() == []
    quay.cover()
    quay.check(LATER)
    assert quay.kinds() == ["site.taken_over"]
    assert len(quay.events()[0].body["cases"]) == 1


def test_as_found_without_an_import_makes_an_event(quay: Quay) -> None:
    """Over on its first day, put up by ourselves: nothing quiet about it."""
    quay.add(12, BUILT)
    quay.check()
    assert quay.kinds() == ["case.opened"]


def test_an_acknowledgement_makes_an_event_and_a_deferral_too(quay: Quay, dispatcher: User) -> None:
    quay.add(12)
    quay.check()
    finding_acknowledge(finding=quay.finding(), user=dispatcher, reason="van on its way")
    until = dt.datetime.now(dt.UTC).date() + 30 * DAY
    finding_defer(finding=quay.finding(), user=dispatcher, until=until, reason="parts ordered")
    _, acknowledged, deferred = quay.events()
    assert (acknowledged.kind, deferred.kind) == ("case.acknowledged", "case.acknowledged")
    assert acknowledged.body["changes"] == [
        {"what": "acknowledged", "finding": quay.finding().pk, "by": "Orla Brisk", "reason": "van on its way"}
    ]
    assert deferred.body["findings"][0]["deferred_until"] == until.isoformat()
    assert deferred.body["findings"][0]["state"] == "deferred"


def test_taking_back_an_acknowledgement_makes_an_event(quay: Quay, dispatcher: User) -> None:
    quay.add(12)
    quay.check()
    finding_acknowledge(finding=quay.finding(), user=dispatcher)
    finding_reopen(finding=quay.finding(), user=dispatcher, reason="the wrong line")
    body = quay.events()[-1].body
    assert body["changes"] == [
        {"what": "open", "finding": quay.finding().pk, "by": "Orla Brisk", "reason": "the wrong line"}
    ]
    assert body["findings"][0]["state"] == "open"


def test_acknowledging_what_had_no_event_makes_none(db: None, dispatcher: User) -> None:
    quay = Quay()
    quay.add(12)
    quay.check()
    finding_acknowledge(finding=quay.finding(), user=dispatcher)
    assert quay.events() == []


def test_an_accepted_change_set_is_told_unless_it_is_quiet(quay: Quay) -> None:
    Event.objects.all().delete()
    added, _ = quay.add(1)
    quay.add(1, **TAKEOVER)
    (event,) = Event.objects.filter(site_id=quay.site_id)
    assert (event.kind, event.subject) == ("change_set.accepted", f"change-sets/{added.pk}")
    assert event.body["change_set"]["job_reference"] == "LS-2207"
    assert event.body["change_set"]["actor"] == "Tom Reed"
    assert event.body["contract"]["response_hours"] == 8
    assert event.happened_at == added.recorded_at
