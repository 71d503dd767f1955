"""What people may do to findings and cases, and how lists find them."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.exceptions import ValidationError
from django.db import IntegrityError

from sites.models import User
from tests.factories import make_user
from tests.zones.findings.conftest import ADDED, Quay
from tests.zones.recording import device_model
from zones.electrical.subjects import SubjectKind
from zones.findings import selectors
from zones.findings.services import (
    StaleVersionError,
    case_set_ticket_reference,
    finding_acknowledge,
    finding_defer,
    finding_set_outcome,
)
from zones.models import Case, Finding, ZoneEndpoint
from zones.recheck.selectors import zones_of
from zones.sheets.survey import Question, site_survey
from zones.subjects import in_closet

DAY = dt.timedelta(days=1)


@pytest.fixture
def dispatcher(db: None) -> User:
    return make_user(User.Role.DISPATCHER, first_name="Orla", last_name="Brisk")


@pytest.fixture
def over(quay: Quay) -> Quay:
    """Past its limit since twelve speakers were added."""
    quay.add(12)
    quay.check()
    return quay


def test_a_deferral_needs_a_day_to_come_and_a_reason(over: Quay, dispatcher: User) -> None:
    today = dt.datetime.now(dt.UTC).date()
    with pytest.raises(ValidationError, match="is not after today at this site"):
        finding_defer(finding=over.finding(), user=dispatcher, until=today, reason="later")
    with pytest.raises(ValidationError, match="needs a reason"):
        finding_defer(finding=over.finding(), user=dispatcher, until=today + 9 * DAY, reason=" ")
    assert over.finding().state == "open"


@pytest.mark.parametrize("state", ["open", "acknowledged"])
def test_only_what_is_deferred_has_a_day(over: Quay, state: str) -> None:
    until = dt.date(2031, 4, 1)
    with pytest.raises(IntegrityError, match="finding_deferred_until_a_day"):
        Finding.objects.filter(pk=over.finding().pk).update(state=state, deferred_until=until)


def test_a_cleared_finding_takes_an_outcome_and_nothing_else(over: Quay, dispatcher: User) -> None:
    with over.record.change(ADDED + DAY) as ended:
        over.record.end(over.run, ended)
    over.check()
    finding = over.finding()
    with pytest.raises(ValidationError, match="Only its outcome"):
        finding_acknowledge(finding=finding, user=dispatcher)
    finding_set_outcome(finding=finding, user=dispatcher, outcome=Finding.Outcome.RECORD_WRONG)
    assert over.finding().outcome == "record_wrong"


def test_an_unknown_outcome_is_refused_with_the_known_ones(over: Quay, dispatcher: User) -> None:
    with pytest.raises(ValidationError, match="give one of repaired, record_wrong, accepted, follows"):
        finding_set_outcome(finding=over.finding(), user=dispatcher, outcome="mended")  # type: ignore[arg-type]


def test_writes_count_the_version_and_refuse_a_stale_one(over: Quay, dispatcher: User) -> None:
    version = over.finding().version
    written = finding_acknowledge(finding=over.finding(), user=dispatcher, expected_version=version)
    assert written.version == version + 1
    with pytest.raises(StaleVersionError):
        finding_acknowledge(finding=over.finding(), user=dispatcher, expected_version=version)


def test_a_case_takes_a_ticket_reference(over: Quay, dispatcher: User) -> None:
    case = Case.objects.get(site_id=over.site_id)
    written = case_set_ticket_reference(
        case=case, user=dispatcher, ticket_reference=" T-77 ", expected_version=case.version
    )
    assert (written.ticket_reference, written.ticket_by) == ("T-77", "Orla Brisk")
    with pytest.raises(StaleVersionError):
        case_set_ticket_reference(
            case=case, user=dispatcher, ticket_reference="T-78", expected_version=case.version
        )
    with pytest.raises(ValidationError, match="At most 120"):
        case_set_ticket_reference(case=written, user=dispatcher, ticket_reference="T" * 121)
    over.add(4, ADDED + DAY)
    over.check()
    assert Case.objects.get(pk=case.pk).ticket_reference == "T-77"


def test_findings_of_a_closet_and_of_a_zone(over: Quay) -> None:
    with over.record.change(ADDED + DAY):
        quiet_zone = over.record.zone("Gangway")
    rows = Finding.objects.all()
    assert rows.filter(in_closet(over.record.closet)).count() == 1
    assert rows.filter(selectors.of_zone(over.zone)).count() == 1
    assert rows.filter(selectors.of_zone(quiet_zone)).count() == 0


def test_what_is_uncertain_is_on_the_survey_list(quay: Quay) -> None:
    quay.add(4, basis=3, current_a=0.05)
    quay.check()
    (question,) = questions(quay, "supply_current")
    assert question.figure.load.subject == (SubjectKind.SUPPLY, quay.supply.pk)
    assert question.figure.load.high == pytest.approx(1.35 * 1.05 + 0.2 * 1.15)
    assert not any("model" in missing for missing in question.missing)


def test_an_unknown_rating_is_on_the_survey_list_as_missing(quay: Quay) -> None:
    with quay.record.change(ADDED):
        unknown = quay.record.supply(None, "S9")
        run = quay.record.run("R9", supply=unknown, zone=quay.zone)
        quay.record.chain(run, 2, **quay.facts)
    quay.check()
    (question,) = questions(quay, "supply_current")
    assert question.figure.load.subject_id == unknown.pk
    assert "which model supply S9 is" in question.missing


def questions(quay: Quay, code: str) -> list[Question]:
    return [one for one in site_survey(quay.site_id, ADDED).questions if one.figure.load.code == code]


def test_a_subject_bears_on_the_zones_behind_it(quay: Quay) -> None:
    gateway_model = device_model("gateway", output_count=1, poe_class=2)
    with quay.record.change(ADDED):
        switch = quay.record.switch()
        port, other_port = quay.record.port(switch, 1), quay.record.port(switch, 2)
        gateway = quay.record.endpoint(gateway_model, "GW 1", power_source="port", port=port)
        speaker = quay.record.endpoint(None, "NS 1", power_source="port", port=other_port)
        output = quay.record.output(gateway)
        second = quay.record.supply(quay.supply_model, "S2")
        run = quay.record.run("R2", zone=quay.zone, output=output)
        quay.record.point(run, "fed here", 1.0, feed_supply=second, **quay.facts)
        lanes, ramp = quay.record.zone("Lanes"), quay.record.zone("Ramp")
        stray = quay.record.run("R3", supply=quay.supply, zone=quay.zone)
        quay.record.point(stray, "above the ramp", 1.0, parent=None, zone=ramp, **quay.facts)
        quay.record.make(ZoneEndpoint, zone=lanes, endpoint=speaker)
    expected = {
        (SubjectKind.SWITCH, switch.pk): {quay.zone.pk, lanes.pk},
        (SubjectKind.PORT, port.pk): {quay.zone.pk},
        (SubjectKind.PORT, other_port.pk): {lanes.pk},
        (SubjectKind.ENDPOINT, gateway.pk): {quay.zone.pk},
        (SubjectKind.OUTPUT, output.pk): {quay.zone.pk},
        (SubjectKind.SUPPLY, second.pk): {quay.zone.pk},
        (SubjectKind.SUPPLY, quay.supply.pk): {quay.zone.pk, ramp.pk},
        (SubjectKind.RUN, run.pk): {quay.zone.pk},
        (SubjectKind.RUN, stray.pk): {quay.zone.pk, ramp.pk},
        (SubjectKind.BLOCK, quay.record.block.pk): {quay.zone.pk, ramp.pk},
        (SubjectKind.SITE, quay.site_id): set(),
    }
    quay.check()
    found = zones_of(expected)
    assert {subject: {zone.id for zone in found.get(subject, ())} for subject in expected} == expected


def test_findings_are_looked_at_by_severity(over: Quay) -> None:
    finding = over.finding()
    advice = Finding(code="audio_with_dc", verdict=1, pk=finding.pk + 1)
    hazard = Finding(code="conductor_current", verdict=3, pk=finding.pk + 2)
    assert selectors.by_severity([advice, finding, hazard]) == [hazard, finding, advice]
