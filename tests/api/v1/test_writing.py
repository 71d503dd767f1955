"""Writes: each makes a change set that says why, in the version that was read."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from sites.models import Closet, Contact, Customer, Grant, Site, User
from sites.models.changes import Change, ChangeSet
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.writes import RESOURCES, WHY, delete, patch, post


def test_a_closet_is_made_and_its_change_set_says_why(
    site: Site, technician: User, with_token: Caller
) -> None:
    client = with_token(technician)
    answer = post(client, "closets", {"site_id": site.pk, "name": "MDF", "floor": "2", "change": WHY})
    assert answer.status_code == 201, answer.content
    made = answer.json()
    assert answer["Location"] == f"/api/v1/closets/{made['id']}"
    assert (made["site_id"], made["name"], made["floor"]) == (site.pk, "MDF", "2")
    assert (made["began_on"], made["ended_on"]) == ("2026-11-24", None)
    read = client.get(answer["Location"])
    assert (read.json(), read["ETag"]) == (made, answer["ETag"])
    change_set = ChangeSet.objects.get(pk=Closet.objects.get(pk=made["id"]).change_set_id)
    assert (change_set.reason, change_set.job_reference) == ("surveyed", "J-7")
    assert (change_set.happened_on, change_set.site_id) == (date(2026, 11, 24), site.pk)
    assert (change_set.user, change_set.channel) == (technician, ChangeSet.Channel.REST)
    assert change_set.operations == [{"op": "closet.add", "name": "MDF", "floor": "2"}]
    assert Change.objects.filter(change_set=change_set, table_name="closet").count() == 1


def test_a_write_says_who_did_the_work(site: Site, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    why = {**WHY, "done_by": "Hallam Crew"}
    post(client, "closets", {"site_id": site.pk, "name": "MDF", "change": why})
    found = client.get("/api/v1/change-sets?done_by=hallam").json()["items"]
    assert [(one["done_by"], one["actor"]) for one in found] == [("Hallam Crew", technician.get_full_name())]
    refused = post(client, "closets", {"site_id": site.pk, "name": "IDF", "change": {**why, "done_by": 7}})
    assert problem(refused, 400, "invalid")["errors"][0]["pointer"] == "/change/done_by"


@pytest.mark.parametrize(
    ("address", "body"),
    [
        ("customers", {"code": "baths", "name": "City Baths"}),
        (
            "catalogue/devices",
            {"name": "horn 15", "kind": "horn", "full_output_current_a": 0.7, "taps_w": [7.5, 15]},
        ),
        ("catalogue/cables", {"name": "cat 24", "gauge_awg": 24}),
    ],
)
def test_what_all_sites_share_is_made_by_managers(
    manager: User, with_token: Caller, address: str, body: dict[str, Any]
) -> None:
    answer = post(with_token(manager), address, {**body, "change": {"reason": "new"}})
    assert answer.status_code == 201, answer.content
    assert {name: answer.json()[name] for name in body} == body


def test_what_refers_to_others(
    customer: Customer, site: Site, closet: Closet, manager: User, with_token: Caller
) -> None:
    client = with_token(manager)
    change = {"reason": "new"}
    made_site = post(
        client,
        "sites",
        {
            "customer_id": customer.pk,
            "code": "gate-1",
            "name": "Gate 1",
            "time_zone": "Europe/Lisbon",
            "change": change,
        },
    )
    assert made_site.status_code == 201, made_site.content
    contract = post(client, "contracts", {"customer_id": customer.pk, "reference": "M-1", "change": change})
    assert contract.json()["customer_id"] == customer.pk
    coverage = post(
        client,
        "coverages",
        {
            "contract_id": contract.json()["id"],
            "site_id": made_site.json()["id"],
            "first_day": "2026-01-01",
            "change": change,
        },
    )
    assert coverage.status_code == 201, coverage.content
    assert (coverage.json()["first_day"], coverage.json()["end_day"]) == ("2026-01-01", None)
    contact = post(
        client,
        "contacts",
        {"site_id": site.pk, "closet_id": closet.pk, "role": "key_holder", "name": "Ada", "change": change},
    )
    assert contact.json()["closet_id"] == closet.pk


def test_who_makes_a_customer_sees_it(other_customer: Customer, outsider: User, with_token: Caller) -> None:
    client = with_token(outsider)
    answer = post(client, "customers", {"code": "baths", "name": "City Baths", "change": {"reason": "new"}})
    assert answer.status_code == 201, answer.content
    assert client.get(answer["Location"]).status_code == 200
    assert Grant.objects.filter(user=outsider, customer_id=answer.json()["id"]).exists()


def test_a_narrowed_token_makes_no_customer(customer: Customer, manager: User, with_token: Caller) -> None:
    client = with_token(manager, customers=[customer])
    body = {"code": "baths", "name": "City Baths", "change": {"reason": "new"}}
    problem(post(client, "customers", body), 403, "forbidden")
    assert not Customer.objects.filter(code="baths").exists()


@pytest.mark.parametrize("resource", RESOURCES)
def test_a_change_in_the_version_that_was_read(
    things: dict[str, tuple[int, dict[str, Any]]], manager: User, with_token: Caller, resource: str
) -> None:
    client = with_token(manager)
    number, altered = things[resource]
    address = f"{resource}/{number}"
    before = client.get(f"/api/v1/{address}")
    answer = patch(client, address, {**altered, "change": WHY}, before["ETag"])
    assert answer.status_code == 200, answer.content
    # What is said of the new values in words is other words
    words = {name: answer.json()[name] for name in ("response",) if name in before.json()}
    assert answer.json() == {**before.json(), **altered, **words}
    assert answer["ETag"] != before["ETag"]
    after = client.get(f"/api/v1/{address}")
    assert (after.json(), after["ETag"]) == (answer.json(), answer["ETag"])


@pytest.mark.parametrize("resource", RESOURCES)
def test_a_stale_version_changes_nothing_with_any_body(
    things: dict[str, tuple[int, dict[str, Any]]], manager: User, with_token: Caller, resource: str
) -> None:
    client = with_token(manager)
    number, altered = things[resource]
    address = f"{resource}/{number}"
    first = client.get(f"/api/v1/{address}")
    assert patch(client, address, {**altered, "change": WHY}, first["ETag"]).status_code == 200
    present = client.get(f"/api/v1/{address}")
    bodies: list[Any] = [{**altered, "change": WHY}, {"nonsense": 1}, []]
    for body in bodies:
        stale = patch(client, address, body, first["ETag"])
        problem(stale, 412, "stale_version")
        assert stale["ETag"] == present["ETag"]
        problem(patch(client, address, body, None), 428, "precondition_required")
    # Decided before the body is looked at: also one that is no JSON, or no body of ours
    raw = client.patch(
        f"/api/v1/{address}", b"{", content_type="text/plain", headers={"If-Match": first["ETag"]}
    )
    problem(raw, 412, "stale_version")
    assert client.get(f"/api/v1/{address}").json() == present.json()


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        ("{tag}", 200),
        ('"other", {tag}', 200),
        (" {tag} ", 200),
        ("*", 200),
        ("W/{tag}", 412),
        ('"0"', 412),
        ('""', 412),
        ("41", 400),
        ("", 400),
        ('"unclosed', 400),
    ],
)
def test_if_match_as_rfc_9110_says(
    closet: Closet, technician: User, with_token: Caller, sent: str, status: int
) -> None:
    # Section 13.1.1: strong comparison; a list of tags; * for any version
    client = with_token(technician)
    tag = client.get(f"/api/v1/closets/{closet.pk}")["ETag"]
    answer = patch(client, f"closets/{closet.pk}", {"room": "9", "change": WHY}, sent.format(tag=tag))
    assert answer.status_code == status, answer.content


def test_a_closet_ends_and_stays_readable(closet: Closet, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    address = f"closets/{closet.pk}"
    etag = client.get(f"/api/v1/{address}")["ETag"]
    problem(delete(client, address, {"change": WHY}, None), 428, "precondition_required")
    problem(delete(client, address, {"change": WHY}, '"1"'), 412, "stale_version")
    problem(delete(client, address, {}, etag), 400, "invalid")
    answer = delete(client, address, {"change": WHY}, etag)
    assert (answer.status_code, answer.content) == (204, b"")
    assert client.get(f"/api/v1/{address}").json()["ended_on"] == "2026-11-24"
    assert client.get("/api/v1/closets").json()["items"] == []
    for ended, count in [("no", 0), ("yes", 1), ("any", 1)]:
        assert len(client.get("/api/v1/closets", {"ended": ended}).json()["items"]) == count
    etag = client.get(f"/api/v1/{address}")["ETag"]
    problem(delete(client, address, {"change": WHY}, etag), 409, "conflict")


def test_what_is_still_used_does_not_end(closet: Closet, technician: User, with_token: Caller) -> None:
    supply = factories.make_supply(closet)
    client = with_token(technician)
    etag = client.get(f"/api/v1/closets/{closet.pk}")["ETag"]
    found = problem(delete(client, f"closets/{closet.pk}", {"change": WHY}, etag), 409, "conflict")
    assert supply.name in found["detail"]


def test_a_contact_is_removed(contact: Contact, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    address = f"contacts/{contact.pk}"
    etag = client.get(f"/api/v1/{address}")["ETag"]
    assert delete(client, address, {"change": WHY}, etag).status_code == 204
    problem(client.get(f"/api/v1/{address}"), 404, "not_found")
    problem(delete(client, address, {"change": WHY}, etag), 404, "not_found")
