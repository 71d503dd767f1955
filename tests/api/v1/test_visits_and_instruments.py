"""Visits and instruments over REST, and the tests that name them."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get, patch, post
from tests.halls import Hall

DAY = (factories.BUILT_ON + dt.timedelta(days=100)).isoformat()
WHY = {"reason": "yearly test", "happened_on": DAY, "job_reference": "T-40718"}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def visited(client: Client, hall: Hall, **said: Any) -> dict[str, Any]:
    body = {"closet_id": hall.closet.pk, "visited_on": DAY, "technician": "Rune Aske", **said}
    made: dict[str, Any] = post(client, "visits", {**body, "change": WHY}).json()
    return made


def recorded(client: Client, hall: Hall, **said: Any) -> dict[str, Any]:
    body = {"kind": "polarity", "passed": True, "taken_on": DAY, "run_id": hall.run.pk, **said}
    made: dict[str, Any] = post(client, "tests", {**body, "change": WHY}).json()
    return made


def test_a_visit_leads_to_its_tests_and_to_what_was_changed(hall: Hall, client: Client) -> None:
    visit = visited(client, hall, job_reference="t-40718")
    assert (visit["site_id"], visit["closet_id"], visit["note"]) == (hall.site.pk, hall.closet.pk, "")
    test = recorded(client, hall, visit_id=visit["id"], taken_as="as_left", taken_at="14:05")
    other = recorded(client, hall)
    assert (test["unit"], test["value"], test["passed"], test["signal"]) == (None, None, True, None)
    assert (test["taken_as"], test["taken_at"], test["job_reference"]) == ("as_left", "14:05", "T-40718")
    assert [item["id"] for item in get(client, "tests", visit_id=visit["id"])["items"]] == [test["id"]]
    assert {item["id"] for item in get(client, "tests", kind="polarity")["items"]} == {
        test["id"],
        other["id"],
    }
    # The visit itself, and both tests
    assert len(get(client, "change-sets", visit_id=visit["id"])["items"]) == 3
    expanded = get(client, f"tests/{test['id']}", expand="visit,instrument_record,zone")
    assert (expanded["visit"]["technician"], expanded["instrument_record"]) == ("Rune Aske", None)


def test_a_visit_without_a_job_leads_to_the_changes_of_its_technician(hall: Hall, client: Client) -> None:
    visit = visited(client, hall, technician="Hallam Crew")
    other = {**WHY, "done_by": "hallam crew"}
    body = {"site_id": hall.site.pk, "name": "IDF 7", "change": other}
    closet = post(client, "closets", body).json()
    found = get(client, "change-sets", visit_id=visit["id"])["items"]
    assert [(one["done_by"], one["happened_on"]) for one in found] == [("hallam crew", DAY)]
    assert closet["name"] == "IDF 7"


def test_what_was_done_on_a_visit_stands_beside_it_and_on_the_sheet_of_its_closet(
    hall: Hall, client: Client
) -> None:
    visit = visited(client, hall, job_reference="T-40718")
    recorded(client, hall, visit_id=visit["id"])
    recorded(client, hall, visit_id=visit["id"], kind="shorts", passed=False)
    post(client, "closets", {"site_id": hall.site.pk, "name": "IDF 7", "change": WHY})
    done = {
        "tests": 2, "failed": 1, "outside": 0, "changes": 1, "done": "2 tests, 1 failed; 1 change",
    }  # fmt: skip
    assert "done" not in get(client, f"visits/{visit['id']}")
    assert get(client, f"visits/{visit['id']}", expand="done")["done"] == done
    (listed,) = get(client, "visits", site_id=hall.site.pk, expand="done")["items"]
    assert listed["done"] == done
    told = {"id": visit["id"], "visited_on": DAY, "technician": "Rune Aske", "job_reference": "T-40718"}
    assert get(client, f"closets/{hall.closet.pk}/sheet")["visits"] == [done | told]
    assert get(client, f"closets/{hall.closet.pk}/sheet", as_of=factories.BUILT_ON)["visits"] == []


def test_the_visits_of_a_contract_are_those_to_its_sites(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    other = factories.make_closet(factories.make_site(hall.site.customer))
    mine, _ = visited(client, hall), visited(client, hall, closet_id=other.pk)
    found = get(client, "visits", contract_id=contract.pk)["items"]
    assert [one["id"] for one in found] == [mine["id"]]


def test_visits_are_found_and_described_otherwise(hall: Hall, client: Client) -> None:
    first = visited(client, hall, job_reference="T-40718")
    visited(client, hall, technician="Ines Lark", job_reference="T-40719")
    for query in ({"job_reference": "t-40718"}, {"technician": "rune aske", "site_id": hall.site.pk}):
        assert [item["id"] for item in get(client, "visits", **query)["items"]] == [first["id"]]
    assert get(client, "visits", visited_until="2001-01-01")["items"] == []
    etag = client.get(f"/api/v1/visits/{first['id']}")["ETag"]
    again = patch(client, f"visits/{first['id']}", {"note": "locked", "change": WHY}, etag).json()
    assert again["note"] == "locked"
    twice = {"closet_id": hall.closet.pk, "visited_on": DAY, "technician": "RUNE ASKE", "change": WHY}
    refused = client.post("/api/v1/visits", twice, content_type="application/json")
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (409, "/closet_id")


def test_a_lapsed_instrument_is_marked_and_not_refused(
    hall: Hall, client: Client, manager: User, with_token: Caller
) -> None:
    body = {
        "name": "tester 4", "kind": "insulation_tester", "serial": "L-00441",
        "calibrated_on": "2001-01-09", "calibration_due_on": "2002-01-09", "change": {"reason": "in use"},
    }  # fmt: skip
    meter = post(with_token(manager), "instruments", body).json()
    test = recorded(
        client, hall, kind="insulation", passed=None, value=2e6, unit="ohm", electronics_disconnected=True,
        instrument_record_id=meter["id"],
    )  # fmt: skip
    assert (test["calibration_lapsed"], test["unit"], test["instrument"]) == (True, "Ω", "tester 4")
    assert [one["name"] for one in get(client, "instruments", due_before=DAY)["items"]] == ["tester 4"]
    assert client.post("/api/v1/instruments", body, content_type="application/json").status_code == 403


def test_the_tests_of_an_instrument_are_found_after_its_calibration_lapsed(
    hall: Hall, client: Client, manager: User, with_token: Caller
) -> None:
    """It was sent in too late; what was measured with it on other days, or with another one, is no matter."""
    keeper = with_token(manager)
    lapsed, other = (
        post(keeper, "instruments", {"name": name, "kind": "multimeter", "change": {"reason": "in use"}})
        for name in ("meter 5", "meter 6")
    )
    body = {"calibrated_on": "2023-03-20", "calibration_due_on": "2024-03-20", "change": {"reason": "in use"}}
    patch(keeper, f"instruments/{lapsed.json()['id']}", body, lapsed["ETag"])
    days = [factories.BUILT_ON + dt.timedelta(days=later) for later in (1, 30, 60)]
    assert days[0] <= dt.date(2024, 3, 20) < days[1]
    of_lapsed = [
        recorded(client, hall, instrument_record_id=lapsed.json()["id"], taken_on=day.isoformat())
        for day in days
    ]
    recorded(client, hall, instrument_record_id=other.json()["id"])
    recorded(client, hall)

    def found(**asked: Any) -> list[int]:
        return [one["id"] for one in get(client, "tests", order="taken_on", **asked)["items"]]

    asked = {"instrument_record_id": lapsed.json()["id"]}
    assert found(**asked) == [one["id"] for one in of_lapsed]
    assert [one["calibration_lapsed"] for one in of_lapsed] == [False, True, True]
    assert found(**asked, taken_from="2024-03-21") == [one["id"] for one in of_lapsed[1:]]
    assert found(instrument_record_id=other.json()["id"] + 1) == []


def test_an_insulation_test_wants_the_electronics_disconnected(hall: Hall, client: Client) -> None:
    body = {"kind": "insulation", "value": 2e6, "taken_on": DAY, "run_id": hall.run.pk, "change": WHY}
    refused = client.post("/api/v1/tests", body, content_type="application/json")
    (error,) = refused.json()["errors"]
    assert (refused.status_code, error["pointer"]) == (400, "/electronics_disconnected")
    assert error["detail"].startswith("Disconnect all electronics at both ends")
