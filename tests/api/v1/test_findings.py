"""Findings and cases over REST: what a dispatcher and a ticketing system read, and what they write back."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.changes.services import change_accept, today_at
from sites.models import Basis, Customer, DeviceModel, Event
from sites.models.access import User
from sites.models.changes import ChangeSet
from sites.services.closets import closet_alter
from sites.services.power import supply_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1 import plenty
from tests.api.v1.asking import ROOT, as_described, etag_of, get, patch
from tests.halls import Hall, more_speakers
from zones.findings.services import finding_acknowledge
from zones.models import Case, Finding, PointFacts, Run, Zone
from zones.recheck.batch import check
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_remove
from zones.services.zones import zone_alter

ADDED = factories.BUILT_ON + dt.timedelta(days=100)


def add_speakers(hall: Hall, count: int, **said: Any) -> ChangeSet:
    """One change set of some more speakers behind the hall's last one, at 40 mA each."""
    said = {"happened_on": ADDED, "reason": "more sound", "job_reference": "LS-2207", **said}
    return change_accept(factories.change(hall.site, **said), more_speakers(hall, count)).change_set


@pytest.fixture
def added(hall: Hall) -> ChangeSet:
    """Twelve more: 52 speakers at 40 mA are 2.08 A, of which the 2 A supply may give 1.60 A."""
    change_set = add_speakers(hall, 12)
    check([hall.site.pk])
    return change_set


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


@pytest.fixture
def finding(hall: Hall, added: ChangeSet) -> Finding:
    """The finding of the hall's supply."""
    return Finding.objects.get(code="supply_current", subject_id=hall.supply.pk)


def refused(client: Client, address: str, body: Any, etag: str = "") -> Any:
    headers = {"If-Match": etag} if etag else {}
    answer = client.patch(f"{ROOT}/{address}", body, content_type="application/json", headers=headers)
    as_described(answer, "patch")
    return answer


def ids(client: Client, address: str = "findings", **query: Any) -> list[int]:
    return [item["id"] for item in get(client, address, **query)["items"]]


# --- what a finding says ------------------------------------------------------------------------------------


def test_a_finding_says_what_is_past_and_which_change_did_it(
    hall: Hall, added: ChangeSet, finding: Finding, client: Client
) -> None:
    shown = get(client, f"findings/{finding.pk}")
    assert (shown["code"], shown["limit_title"]) == ("supply_current", "Supply current")
    assert shown["title"] == f"{hall.site.code} supply PS 1: 2.08 A, limit 1.60 A"
    assert shown["subject"] == {
        "kind": "supply",
        "id": hall.supply.pk,
        "name": "supply PS 1",
        "path": f"/api/v1/supplies/{hall.supply.pk}",
    }
    assert shown["sentence"].startswith("Supply PS 1")
    # by hand: 52 speakers at 40 mA, measured to 5 %; 0.8 of 2 A
    assert shown["likely"] == pytest.approx(2.08)
    assert (shown["limit"], shown["limit_is"], shown["unit"]) == (pytest.approx(1.6), "at_most", "A")
    assert (shown["low"], shown["high"]) == (1.976, 2.184)
    assert shown["verdict"] == "past"
    assert (shown["state"], shown["outcome"], shown["cleared_at"]) == ("open", "", None)
    assert (shown["site_id"], shown["customer_id"]) == (hall.site.pk, hall.site.customer_id)
    assert (shown["site_code"], shown["site_name"]) == (hall.site.code, hall.site.name)
    attribution = shown["attribution"]
    assert attribution["cause"] == "addition"
    assert "12 wall speakers added" in attribution["sentence"]
    assert added.pk in attribution["change_set_ids"]
    named = attribution["change"]
    assert (named["before"], named["after"], named["limit"]) == (1.6, 2.08, 1.6)  # no last bits of a sum
    assert named["change_set"]["id"] == added.pk
    assert named["change_set"]["day"] == ADDED.isoformat()
    assert (named["change_set"]["job_reference"], named["change_set"]["actor"]) == (
        "LS-2207",
        factories.INTEGRATOR,
    )
    assert shown["case_key"] == f"site-{hall.site.pk}/change-set-{added.pk}"


def test_renaming_what_it_is_about_changes_its_words_and_not_its_version(
    hall: Hall, finding: Finding, client: Client
) -> None:
    before = etag_of(client, f"findings/{finding.pk}")
    supply_alter(factories.change(hall.site, happened_on=ADDED), supply=hall.supply, name="DC rack 4")
    check([hall.site.pk])
    assert etag_of(client, f"findings/{finding.pk}") == before
    shown = get(client, f"findings/{finding.pk}")
    assert shown["subject"]["name"] == "supply DC rack 4"
    assert shown["sentence"].startswith("Supply DC rack 4 delivers 2.08 A")


def test_where_it_is_whom_it_concerns_and_what_to_beware_of(
    hall: Hall, finding: Finding, client: Client
) -> None:
    def codes() -> list[str]:
        return [caution["code"] for caution in get(client, f"findings/{finding.pk}")["cautions"]]

    shown = get(client, f"findings/{finding.pk}")
    assert shown["closet_id"] == hall.closet.pk
    assert [(zone["name"], zone["life_safety"]) for zone in shown["zones"]] == [
        ("Ticket hall", "unknown"),
        ("Gangway", "unknown"),
    ]
    assert codes() == ["life_safety", "disconnect", "wiring_classes"]
    why = {caution["code"]: caution["why"] for caution in shown["cautions"]}
    assert why["disconnect"] == "energised here: supply PS 1"
    for zone in (hall.zone, hall.gangway):
        zone_alter(factories.change(hall.site), zone=zone, life_safety=Zone.LifeSafety.NO)
    assert "life_safety" not in codes()
    closet_alter(
        factories.change(hall.site), closet=hall.closet, dangers="ammonia plant next door", ladder_m=4
    )
    assert codes() == ["gas", "danger", "disconnect", "ladder", "wiring_classes"]


def test_a_finding_on_a_block_that_only_dc_lies_on_is_one_of_the_zone(hall: Hall, client: Client) -> None:
    power = factories.make_block(hall.closet, name="DC block")
    change = factories.change(hall.site, happened_on=ADDED)
    for run in (hall.run, hall.gangway_run):  # both on one row, which takes one
        landing_add(change, block=power, row=1, pair=2, carries=PairUse.DC, run=run)
    check([hall.site.pk])
    twice = Finding.objects.get(code="row_used_twice", subject_id=power.pk)
    assert twice.pk in ids(client, zone_id=hall.zone.pk)
    assert [zone["name"] for zone in get(client, f"findings/{twice.pk}")["zones"]] == [
        "Ticket hall",
        "Gangway",
    ]


def test_a_danger_in_a_note_is_warned_of_everywhere(hall: Hall, client: Client) -> None:
    """On the sheet of the closet, with the finding, in the event and beside the load."""
    note = "Ammonia plant behind this wall"
    closet_alter(factories.change(hall.site), closet=hall.closet, note=note)
    factories.make_coverage(factories.make_contract(hall.site.customer), hall.site)
    add_speakers(hall, 12)
    check([hall.site.pk])
    finding = Finding.objects.get(code="supply_current", subject_id=hall.supply.pk)
    (opened,) = Event.objects.filter(kind="case.opened", site=hall.site)
    for stated in (
        get(client, f"closets/{hall.closet.pk}/sheet"),
        get(client, f"findings/{finding.pk}"),
        opened.body,
        get(client, f"zones/{hall.zone.pk}/load"),
    ):
        why = {caution["code"]: caution["why"] for caution in stated["cautions"]}
        assert why["gas"] == "the record of this place mentions ammonia"


def test_voltage_says_at_which_speaker(hall: Hall, client: Client) -> None:
    # by hand: three pairs of 24 AWG are 0.056 ohm a metre out and back, so 40 mA lose 6.7 V on 3 km
    cable = PointFacts.objects.filter(point=hall.points[-1]).latest("step").cable_type_id
    bodies = [
        {"op": "point.append", "run_id": hall.run.pk, "after_id": hall.points[-1].pk,
         "model_id": hall.speaker.pk, "name": "far", "place": "quay gate", "current_basis": "measured",
         "length_m": 3000.0, "length_basis": "measured", "cable_type_id": cable, "dc_pairs": 3},
    ]  # fmt: skip
    change_accept(factories.change(hall.site, happened_on=ADDED), bodies)
    check([hall.site.pk])
    (shown,) = get(client, "findings", site_id=hall.site.pk, code="run_voltage")["items"]
    assert shown["place"] == "far (quay gate)"
    assert shown["limit_is"] == "at_least"
    assert shown["subject"]["path"] == f"/api/v1/runs/{hall.run.pk}"
    assert shown["likely"] < shown["limit"] == 18.0


# --- lists --------------------------------------------------------------------------------------------------


def test_findings_are_found(hall: Hall, added: ChangeSet, finding: Finding, client: Client) -> None:
    everything = ids(client)
    assert finding.pk in everything
    assert ids(client, site_id=hall.site.pk) == ids(client, customer_id=hall.site.customer_id) == everything
    assert ids(client, code="supply_current") == [finding.pk]
    assert ids(client, code="supply_current,run_voltage", verdict="past")[:1] == [finding.pk]
    assert ids(client, case_id=finding.case_id) == ids(client, closet_id=hall.closet.pk) == everything
    assert finding.pk in ids(client, zone_id=hall.zone.pk)
    assert finding.pk in ids(client, zone_id=hall.gangway.pk), "the supply feeds both zones"
    other = factories.make_zone(hall.site)
    assert ids(client, zone_id=other.pk) == []
    assert ids(client, state="deferred") == ids(client, state="cleared") == []
    assert ids(client, zone_id=999999999) == ids(client, closet_id=999999999) == []
    answer = client.get(f"{ROOT}/findings", {"verdict": "pst"})
    assert "Did you mean past?" in answer.json()["errors"][0]["detail"]


def test_findings_and_cases_are_found_by_their_opening(finding: Finding, client: Client) -> None:
    opened = get(client, f"findings/{finding.pk}")["opened_at"]
    second_later = (finding.opened_at + dt.timedelta(seconds=1)).isoformat()
    case_opened = get(client, f"cases/{finding.case_id}")["opened_at"]
    for name, pk, moment in (
        ("findings", finding.pk, opened),
        ("cases", finding.case_id, case_opened),
    ):
        assert pk in ids(client, name, opened_from=moment)
        assert pk in ids(client, name, opened_until=second_later)
        assert pk not in ids(client, name, opened_from=second_later)
        assert pk not in ids(client, name, opened_until="2020-01-01T00:00:00Z")


def test_the_worst_come_first(hall: Hall, finding: Finding, client: Client) -> None:
    items = get(client, "findings")["items"]
    ranks = {"advice": 0, "sound_suffers": 1, "silence": 2, "hazard": 3}
    verdicts = {"probably_past": 3, "past": 4}
    keys = [(ranks[item["severity"]], verdicts[item["verdict"]]) for item in items]
    assert keys == sorted(keys, reverse=True)
    assert len(set(keys)) > 1
    first = get(client, "findings", page_size=1)
    rest = get(client, "findings", cursor=first["next"])
    assert [item["id"] for item in [*first["items"], *rest["items"]]] == [item["id"] for item in items]
    assert ids(client, order="opened_at") == sorted(ids(client))


def test_it_clears_by_the_record_alone(hall: Hall, finding: Finding, client: Client) -> None:
    run = hall.run.points.order_by("-rank")
    for point in run[:12]:
        point_remove(factories.change(hall.site, happened_on=ADDED), point=point)
    check([hall.site.pk])
    assert finding.pk not in ids(client)
    assert finding.pk in ids(client, state="cleared")
    shown = get(client, f"findings/{finding.pk}")
    assert shown["state"] == "cleared"
    assert shown["cleared_at"] is not None
    late = refused(
        client, f"findings/{finding.pk}", {"state": "acknowledged"}, etag_of(client, f"findings/{finding.pk}")
    )
    assert late.status_code == 409
    assert "Only its outcome" in late.json()["detail"]
    done = patch(
        client, f"findings/{finding.pk}", {"outcome": "repaired"}, etag_of(client, f"findings/{finding.pk}")
    )
    assert (done.json()["outcome"], done.json()["state"]) == ("repaired", "cleared")


@pytest.mark.parametrize("of", ["zone", "closet"])
def test_what_hangs_together_is_found_at_the_same_cost(
    hall: Hall, customer: Customer, reader: User, with_token: Caller, of: str
) -> None:
    """Beside what `test_every_list` holds every list to: filters that follow the plant."""
    client = with_token(reader, customers=[customer])
    query = {f"{of}_id": str(getattr(hall, of).pk), "count": "true"}

    def cost() -> tuple[int, int]:
        client.get(f"{ROOT}/findings", query)  # notes, once a minute, that the token is in use
        with CaptureQueriesContext(connection) as queries:
            answer = client.get(f"{ROOT}/findings", query)
        return len(queries), len(answer.json()["items"])

    plenty.add(hall, 2)
    short, few = cost()
    plenty.add(hall, 10)
    long, many = cost()
    assert many >= few + 10
    assert long == short <= 12


# --- what people do -----------------------------------------------------------------------------------------


def test_a_finding_is_acknowledged(finding: Finding, client: Client, dispatcher: User) -> None:
    address = f"findings/{finding.pk}"
    answer = patch(
        client, address, {"state": "acknowledged", "state_reason": "on it"}, etag_of(client, address)
    )
    shown = answer.json()
    assert (shown["state"], shown["state_reason"]) == ("acknowledged", "on it")
    assert shown["state_by"] == (dispatcher.get_full_name() or dispatcher.username)
    assert answer["ETag"] == etag_of(client, address)
    assert finding.pk in ids(client, state="acknowledged")
    assert finding.pk in ids(client), "it is still there"


def test_a_finding_is_deferred_until_a_day_for_a_reason(hall: Hall, finding: Finding, client: Client) -> None:
    address = f"findings/{finding.pk}"
    until = (today_at(hall.site.pk) + dt.timedelta(days=30)).isoformat()
    body = {"state": "deferred", "deferred_until": until, "state_reason": "spare supply ordered"}
    shown = patch(client, address, body, etag_of(client, address)).json()
    assert (shown["state"], shown["deferred_until"]) == ("deferred", until)
    back = patch(client, address, {"state": "acknowledged", "outcome": "accepted"}, etag_of(client, address))
    assert (back.json()["deferred_until"], back.json()["outcome"]) == (None, "accepted")


def test_an_acknowledgement_is_taken_back(finding: Finding, client: Client) -> None:
    address = f"findings/{finding.pk}"
    never = refused(client, address, {"state": "open"}, etag_of(client, address))
    assert (never.status_code, never.json()["code"]) == (409, "conflict")
    assert "no acknowledgement or deferral to take back" in never.json()["detail"]
    patch(client, address, {"state": "acknowledged"}, etag_of(client, address))
    back = {"state": "open", "state_reason": "the wrong line"}
    shown = patch(client, address, back, etag_of(client, address)).json()
    assert (shown["state"], shown["state_reason"]) == ("open", "the wrong line")
    assert finding.pk in ids(client, state="open")


def test_a_deferral_is_taken_back(hall: Hall, finding: Finding, client: Client) -> None:
    address = f"findings/{finding.pk}"
    until = (today_at(hall.site.pk) + dt.timedelta(days=30)).isoformat()
    body = {"state": "deferred", "deferred_until": until, "state_reason": "spare supply ordered"}
    patch(client, address, body, etag_of(client, address))
    shown = patch(client, address, {"state": "open"}, etag_of(client, address)).json()
    assert (shown["state"], shown["deferred_until"]) == ("open", None)


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({}, "", "Nothing is to change"),
        ({"state": "deferred"}, "/deferred_until", "until which day"),
        ({"state": "deferred", "deferred_until": "2099-01-01"}, "/state_reason", "says why"),
        (
            {"state": "deferred", "deferred_until": "2020-01-01", "state_reason": "x"},
            "/deferred_until",
            "is not after today at this site",
        ),
        ({"state": "acknowledged", "deferred_until": "2099-01-01"}, "/deferred_until", "state deferred"),
        ({"state": "cleared"}, "/state", "Expected one of: acknowledged, deferred"),
        ({"outcome": "repared"}, "/outcome", "Did you mean repaired?"),
        ({"stat": "acknowledged"}, "/stat", "Did you mean state?"),
        ({"verdict": "within", "outcome": "repaired"}, "/verdict", "What can stand here"),
    ],
)
def test_what_cannot_be_done_to_a_finding_is_said(
    finding: Finding, client: Client, body: dict[str, Any], pointer: str, stated: str
) -> None:
    address = f"findings/{finding.pk}"
    answer = refused(client, address, body, etag_of(client, address))
    assert answer.status_code == 400
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert Finding.objects.get(pk=finding.pk).version == finding.version


def test_of_two_who_write_only_the_first_does(
    finding: Finding, client: Client, technician: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = f"findings/{finding.pk}"
    assert refused(client, address, {"state": "acknowledged"}).status_code == 428
    assert refused(client, address, {"state": "acknowledged"}, '"99"').status_code == 412

    from api.v1.findings import FindingViewSet

    whole = FindingViewSet.validated_body

    def body(self: FindingViewSet) -> dict[str, Any]:
        finding_acknowledge(finding=finding, user=technician, reason="mine")
        return whole(self)

    monkeypatch.setattr(FindingViewSet, "validated_body", body)
    late = refused(client, address, {"outcome": "repaired"}, etag_of(client, address))
    assert late.status_code == 412
    assert late["ETag"] == etag_of(client, address)
    assert Finding.objects.get(pk=finding.pk).outcome == ""


def test_an_outsider_sees_none_of_it(
    hall: Hall, finding: Finding, outsider: User, with_token: Caller
) -> None:
    other = with_token(outsider)
    for address in (f"findings/{finding.pk}", f"cases/{finding.case_id}"):
        assert other.get(f"{ROOT}/{address}").status_code == 404
        assert refused(other, address, {"outcome": "repaired"}, '"1"').status_code == 404
    assert ids(other) == ids(other, "cases") == []
    assert ids(other, zone_id=hall.zone.pk) == ids(other, closet_id=hall.closet.pk) == []
    assert ids(other, site_id=hall.site.pk) == []


# --- cases --------------------------------------------------------------------------------------------------


def test_a_case_holds_what_one_change_caused(
    hall: Hall, added: ChangeSet, finding: Finding, client: Client
) -> None:
    (case,) = get(client, "cases", change_set_id=added.pk)["items"]
    assert case["key"] == f"site-{hall.site.pk}/change-set-{added.pk}"
    assert (case["change_set_id"], case["cleared_at"]) == (added.pk, None)
    inside = [one["id"] for one in case["findings"]]
    assert set(inside) == set(ids(client, case_id=case["id"]))
    assert case["findings"][inside.index(finding.pk)] == get(client, f"findings/{finding.pk}")
    assert get(client, f"cases/{case['id']}")["findings"] == case["findings"]
    assert ids(client, "cases", key=case["key"]) == [case["id"]]
    assert ids(client, "cases", cleared="yes") == []


def test_a_ticketing_system_writes_its_number_back(finding: Finding, client: Client) -> None:
    address = f"cases/{finding.case_id}"
    assert ids(client, "cases", has_ticket="false") == [finding.case_id]
    answer = patch(client, address, {"ticket_reference": "INC-77"}, etag_of(client, address))
    assert (answer.json()["ticket_reference"], answer.json()["ticket_by"] != "") == ("INC-77", True)
    assert ids(client, "cases", ticket_reference="INC-77", has_ticket="true") == [finding.case_id]
    assert answer["ETag"] == etag_of(client, address)
    stale = refused(client, address, {"ticket_reference": "INC-78"}, '"1"')
    assert stale.status_code == 412
    assert Case.objects.get(pk=finding.case_id).ticket_reference == "INC-77"
    wrong = refused(client, address, {"ticket_referense": "INC-78"}, answer["ETag"])
    assert "Did you mean ticket_reference?" in wrong.json()["errors"][0]["detail"]
    long = refused(client, address, {"ticket_reference": "I" * 121}, answer["ETag"])
    assert (long.status_code, long.json()["errors"][0]["pointer"]) == (400, "/ticket_reference")
    gone = patch(client, address, {"ticket_reference": ""}, answer["ETag"])
    assert gone.json()["ticket_reference"] == ""


def test_a_reader_writes_nothing_back(finding: Finding, reader: User, with_token: Caller) -> None:
    client = with_token(reader)
    for address, body in (
        (f"findings/{finding.pk}", {"state": "acknowledged"}),
        (f"cases/{finding.case_id}", {"ticket_reference": "INC-1"}),
    ):
        assert refused(client, address, body, etag_of(client, address)).status_code == 403


def test_an_amplifier_s_line_is_warned_of(hall: Hall, client: Client) -> None:
    horn = factories.make_model(DeviceModel.Kind.HORN)
    amplifier = factories.make_amplifier(hall.closet, name="A 1")
    run = factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, amplifier=amplifier)
    factories.make_points(run, 5, horn, tap_power_w=30.0, tap_basis=Basis.MEASURED)
    check([hall.site.pk])
    (shown,) = get(client, "findings", code="amplifier_load")["items"]
    why = {caution["code"]: caution["why"] for caution in shown["cautions"]}
    assert why["line_voltage"] == "a 70.7 V line starts here"
    assert why["disconnect"] == "energised here: supply PS 1 and amplifier A 1"
    assert "local_code" in why
