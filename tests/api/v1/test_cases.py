"""Cases as a page and a ticket want them, over REST."""

from __future__ import annotations

import datetime as dt
from typing import Any
from urllib.parse import parse_qsl

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.conventions import sizes
from sites.changes.services import change_accept
from sites.changes.withdrawing import withdraw_recorded
from sites.models import Contact
from sites.models.access import User
from sites.models.changes import ChangeSet
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.api.v1.test_findings import add_speakers
from tests.halls import Hall
from zones.electrical.verdicts import Verdict
from zones.findings.open_counts import summary
from zones.models import Case, Point
from zones.recheck.batch import check


@pytest.fixture
def added(hall: Hall) -> ChangeSet:
    """Twelve more: 52 speakers at 40 mA are 2.08 A, of which the 2 A supply may give 1.60 A."""
    change_set = add_speakers(hall, 12)
    check([hall.site.pk])
    return change_set


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


def _take_off(hall: Hall) -> ChangeSet:
    """The points of the twelve: 40 speakers at 40 mA are 1.60 A."""
    last = list(Point.objects.filter(run=hall.run).order_by("-rank")[:12])
    operations = [{"op": "point.remove", "point_id": point.pk} for point in last]
    change = factories.change(
        hall.site,
        happened_on=factories.BUILT_ON + dt.timedelta(days=200),
        reason="too much",
        job_reference="T-9",
        actor="R. Ondine",
        done_by="Hallam Crew",
    )
    return change_accept(change, operations).change_set


def test_a_case_says_what_a_ticket_needs(hall: Hall, added: ChangeSet, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer, response_hours=8)
    factories.make_coverage(contract, hall.site)
    (case,) = get(client, "cases", change_set_id=added.pk)["items"]
    assert case["title"].startswith(f"{hall.site.code} ")
    assert "2.08 A, limit 1.60 A" in case["title"]
    assert len(case["title"]) <= 80
    assert (case["severity"], case["verdict"]) == ("silence", "past")
    assert case["contract"]["response_hours"] == 8
    # eight hours around the clock, since no hours of cover are recorded
    opened = dt.datetime.fromisoformat(case["opened_at"])
    assert dt.datetime.fromisoformat(case["respond_by"]) == opened + dt.timedelta(hours=8)
    assert case["life_safety"] == "unknown"
    assert [zone["id"] for zone in case["zones"]] == [hall.zone.pk, hall.gangway.pk]
    assert [closet["id"] for closet in case["closets"]] == [hall.closet.pk]
    assert case["closets"][0]["key"] == "ask the site contact"
    assert {caution["code"] for caution in case["cautions"]} >= {"life_safety", "disconnect"}
    assert (case["reopened_at"], case["closing_text"], case["cleared_by"]) == (None, "", [])


def test_a_lapsed_contract_owes_no_response(hall: Hall, added: ChangeSet, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer, response_hours=8)
    end_day = dt.datetime.now(dt.UTC).date() - dt.timedelta(days=2)
    factories.make_coverage(contract, hall.site, end_day=end_day)
    (case,) = get(client, "cases", change_set_id=added.pk)["items"]
    assert (case["contract"], case["respond_by"]) == (None, None)
    until = end_day - dt.timedelta(days=1)
    assert case["response"].endswith(f"Contract {contract.reference} covered the site until {until}.")


def test_a_cleared_case_closes_with_its_change_and_figures(
    hall: Hall, added: ChangeSet, client: Client
) -> None:
    removed = _take_off(hall)
    check([hall.site.pk])
    (case,) = get(client, "cases", change_set_id=added.pk, cleared="yes")["items"]
    assert case["verdict"] is None
    assert [one["id"] for one in case["cleared_by"]] == [removed.pk]
    assert "2.08 A, limit 1.60 A before" in case["closing_text"]
    assert "1.60 A after" in case["closing_text"]
    assert (
        f"Cleared by change set {removed.pk} on {removed.happened_on} by Hallam Crew, job T-9, recorded by "
        "R. Ondine (“too much”)."
    ) in case["closing_text"]


def test_a_case_that_opens_again_says_since_when(
    hall: Hall, added: ChangeSet, client: Client, manager: User
) -> None:
    (first,) = get(client, "cases", change_set_id=added.pk)["items"]
    removed = _take_off(hall)
    check([hall.site.pk])
    withdraw_recorded(change_set=removed, user=manager, reason="of another site")
    check([hall.site.pk])
    (case,) = get(client, "cases", change_set_id=added.pk)["items"]
    assert (case["id"], case["first_opened_at"]) == (first["id"], first["opened_at"])
    assert case["reopened_at"] == case["opened_at"] > first["opened_at"]
    assert (case["verdict"], case["closing_text"]) == ("past", "")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("severity=silence", True),
        ("severity=hazard,advice", False),
        ("verdict=past", True),
        ("opened_from=2000-01-01T00:00:00Z", True),
        ("opened_until=2000-01-01T00:00:00Z", False),
        ("changed_since=2000-01-01T00:00:00Z", True),
        ("changed_since=2190-01-01T00:00:00Z", False),
        ("cleared=any&cleared_from=2000-01-01T00:00:00Z", False),
    ],
)
def test_cases_are_listed_by(query: str, found: bool, hall: Hall, added: ChangeSet, client: Client) -> None:
    items = get(client, "cases", change_set_id=added.pk, **dict(parse_qsl(query)))["items"]
    assert bool(items) is found


def test_cases_and_findings_of_a_contract_are_those_of_the_sites_it_covers_today(
    hall: Hall, added: ChangeSet, client: Client
) -> None:
    covering, other = (factories.make_contract(hall.site.customer) for _ in range(2))
    factories.make_coverage(covering, hall.site)
    for resource in ("cases", "findings"):
        assert get(client, resource, contract_id=covering.pk)["items"]
        assert not get(client, resource, contract_id=other.pk)["items"]


def test_counts_are_those_of_the_list(hall: Hall, added: ChangeSet, client: Client) -> None:
    listed: list[Any] = get(client, "cases", site_id=hall.site.pk)["items"]
    counts = get(client, "cases/counts", site_id=hall.site.pk)
    assert counts["count"] == len(listed) > 0
    for of in ("severity", "verdict"):
        said = {word: count for word, count in counts[f"by_{of}"].items() if count}
        assert said == {word: sum(one[of] == word for one in listed) for word in {one[of] for one in listed}}


def test_counts_since_a_time_are_those_of_all_customers_too(
    hall: Hall, added: ChangeSet, manager: User, with_token: Caller
) -> None:
    """One case opened by the twelve; taking them off clears it."""
    client, since = with_token(manager), {"opened_from": "2000-01-01T00:00:00Z"}
    before = get(client, "cases/counts", **since)
    assert before["by_verdict"]["past"] == Case.objects.filter(gravity__in=[4, 14, 24, 34]).count() > 0
    assert get(client, "cases/counts", opened_from="2190-01-01T00:00:00Z")["count"] == 0
    _take_off(hall)
    check([hall.site.pk])
    cleared = get(client, "cases/counts", cleared="yes", cleared_from="2000-01-01T00:00:00Z")
    assert (cleared["count"], cleared["summary"]) == (1, "1 case cleared.")
    assert get(client, "cases/counts", cleared="yes", cleared_from="2190-01-01T00:00:00Z")["count"] == 0
    assert get(client, "cases/counts", **since)["count"] == before["count"] - 1


@pytest.mark.parametrize(
    ("by_verdict", "cleared", "said"),
    [
        ({}, 0, "Nothing is past."),
        ({Verdict.CANNOT_TELL: 12}, 0, "Nothing is past; cannot tell for 12 cases."),
        ({Verdict.PAST: 1}, 0, "1 case is past or probably past."),
        (
            {Verdict.PAST: 2, Verdict.PROBABLY_PAST: 1, Verdict.CANNOT_TELL: 1, Verdict.NEAR: 4},
            0,
            "3 cases are past or probably past; cannot tell for 1 case; 4 cases are near a limit.",
        ),
        ({Verdict.NEAR: 1}, 2, "Nothing is past; 1 case is near a limit; 2 cases cleared."),
        ({}, 1, "1 case cleared."),
    ],
)
def test_counts_are_said_in_a_sentence(by_verdict: dict[Verdict, int], cleared: int, said: str) -> None:
    assert summary(by_verdict, cleared, noun="case") == said


def test_many_cases_take_as_many_queries_as_one(hall: Hall, added: ChangeSet, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            assert get(client, "cases", site_id=hall.site.pk, cleared="any")["items"]
        return len(sent)

    _take_off(hall)
    check([hall.site.pk])
    queries()  # the first one reads what a process reads once
    before = queries()
    again = add_speakers(hall, 20, happened_on=factories.BUILT_ON + dt.timedelta(days=300))
    check([hall.site.pk])
    assert Case.objects.filter(change_set=again, cleared_at=None).exists()
    assert queries() == before


def test_lists_leave_out_what_is_withheld_unless_asked(hall: Hall, client: Client) -> None:
    change_set = add_speakers(hall, 3)
    check([hall.site.pk])
    Case.objects.filter(change_set=change_set).update(withheld=True)
    asked = {"change_set_id": change_set.pk}
    assert get(client, "cases", **asked)["items"] == []
    assert get(client, "cases", **asked, cleared="any")["items"] == []
    assert get(client, "cases/counts", **asked)["count"] == 0
    (case,) = get(client, "cases", **asked, withheld="yes")["items"]
    assert case["withheld"]
    assert (case["respond_by"], case["response"]) == (
        None,
        "Withheld: nothing is past for certain, and the customer opens no case for probably past.",
    )
    assert len(get(client, "cases", **asked, withheld="any")["items"]) == 1


def test_a_case_and_its_findings_count_what_they_leave_out(
    hall: Hall, added: ChangeSet, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    contact_add(factories.change(hall.site), closet=hall.closet, role=Contact.Role.SITE, name="Ada")
    names = ("zones", "closets", "contacts", "findings")
    (whole,) = get(client, "cases", change_set_id=added.pk)["items"]
    assert all(whole[name] for name in names)
    assert whole["left_out"] == whole["findings"][0]["left_out"] == []
    monkeypatch.setattr(sizes, "MOST_LISTED", 0)
    for case in (
        get(client, "cases", change_set_id=added.pk)["items"][0],
        get(client, f"cases/{whole['id']}"),
    ):
        assert [case[name] for name in names] == [[]] * 4
        assert case["left_out"] == [{"pointer": f"/{name}", "count": len(whole[name])} for name in names]
    finding = get(client, f"findings/{whole['findings'][0]['id']}")
    assert finding["zones"] == []
    assert finding["left_out"] == [{"pointer": "/zones", "count": len(whole["findings"][0]["zones"])}]


def test_a_cleared_case_counts_the_changes_that_it_leaves_out(
    hall: Hall, added: ChangeSet, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    _take_off(hall)
    check([hall.site.pk])
    asked = {"change_set_id": added.pk, "cleared": "yes"}
    (whole,) = get(client, "cases", **asked)["items"]
    assert whole["cleared_by"]
    monkeypatch.setattr(sizes, "MOST_LISTED", 0)
    (case,) = get(client, "cases", **asked)["items"]
    assert case["cleared_by"] == []
    assert {"pointer": "/cleared_by", "count": len(whole["cleared_by"])} in case["left_out"]
