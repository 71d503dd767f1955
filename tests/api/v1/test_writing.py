"""Writes: each makes a change set that says why, in the version that was read, and names all that is
wrong."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from threading import Barrier
from typing import Any

import pytest
from django.db import connections
from django.test import Client

from sites.models import Closet, Contact, Customer, DeviceModel, Grant, Site, User
from sites.models.changes import Change, ChangeSet
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem

WHY = {"reason": "surveyed", "happened_on": "2026-11-24", "job_reference": "J-7"}


def post(client: Client, address: str, body: Any) -> Any:
    return client.post(f"/api/v1/{address}", body, content_type="application/json")


def patch(client: Client, address: str, body: Any, etag: str | None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return client.patch(f"/api/v1/{address}", body, content_type="application/json", headers=headers)


def delete(client: Client, address: str, body: Any, etag: str | None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return client.delete(f"/api/v1/{address}", body, content_type="application/json", headers=headers)


@pytest.fixture
def contact(site: Site, closet: Closet) -> Contact:
    return contact_add(
        factories.change(site), closet=closet, role=Contact.Role.SITE, name="Ada Strand", phone="+1 555 0100"
    ).result


@pytest.fixture
def things(
    customer: Customer, site: Site, closet: Closet, contact: Contact
) -> dict[str, tuple[int, dict[str, Any]]]:
    """By resource: one that is there, and a change of it."""
    contract = factories.make_contract(customer)
    return {
        "customers": (customer.pk, {"note": "pays late"}),
        "contracts": (contract.pk, {"response_hours": 4}),
        "coverages": (factories.make_coverage(contract, site).pk, {"end_day": "2027-01-01"}),
        "sites": (site.pk, {"dangers": "forklifts"}),
        "closets": (closet.pk, {"room": "2.14", "ladder_m": 3.5}),
        "contacts": (contact.pk, {"phone": "+1 555 0199"}),
        "catalogue/devices": (factories.make_model(DeviceModel.Kind.HORN).pk, {"minimum_voltage_v": 17.5}),
        "catalogue/cables": (factories.make_cable().pk, {"plenum": True}),
    }


RESOURCES = [
    "customers", "contracts", "coverages", "sites", "closets", "contacts", "catalogue/devices",
    "catalogue/cables",
]  # fmt: skip
WITH_DELETE = ["coverages", "closets", "contacts"]


# --- made ---------------------------------------------------------------------------------------------------


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


# --- changed ------------------------------------------------------------------------------------------------


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
    assert answer.json() == {**before.json(), **altered}
    assert answer["ETag"] != before["ETag"]
    after = client.get(f"/api/v1/{address}")
    assert (after.json(), after["ETag"]) == (answer.json(), answer["ETag"])


@pytest.mark.parametrize("resource", RESOURCES)
def test_a_stale_version_changes_nothing_whatever_the_body(
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


@pytest.mark.parametrize("resource", RESOURCES)
def test_unknown_names_are_always_told_once_the_version_holds(
    things: dict[str, tuple[int, dict[str, Any]]], manager: User, with_token: Caller, resource: str
) -> None:
    client = with_token(manager)
    number, altered = things[resource]
    address = f"{resource}/{number}"
    etag = client.get(f"/api/v1/{address}")["ETag"]
    answer = patch(client, address, {**altered, "nonsense": 1, "id": 7}, etag)
    found = problem(answer, 400, "invalid")
    assert {error["pointer"]: error["code"] for error in found["errors"]} == {
        "/nonsense": "unknown",
        "/id": "unknown",
        "/change": "required",
    }
    assert client.get(f"/api/v1/{address}")["ETag"] == etag


def test_everything_wrong_is_told_at_once(site: Site, technician: User, with_token: Caller) -> None:
    body = {
        "site": site.pk,
        "name": 5,
        "ladder_m": "3",
        "dangers": None,
        "floors": "2",
        "change": {"reason": " ", "happened_on": "yesterday", "why": "x"},
    }
    found = problem(post(with_token(technician), "closets", body), 400, "invalid")
    stated = {error["pointer"]: error["detail"] for error in found["errors"]}
    assert set(stated) == {
        "/site",
        "/site_id",
        "/name",
        "/ladder_m",
        "/dangers",
        "/floors",
        "/change/reason",
        "/change/happened_on",
        "/change/why",
    }
    assert "Did you mean site_id?" in stated["/site"]
    assert "Did you mean floor?" in stated["/floors"]
    assert "2026-11-25" in stated["/change/happened_on"]
    assert not Closet.objects.exists()


def test_a_patch_of_nothing(closet: Closet, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    etag = client.get(f"/api/v1/closets/{closet.pk}")["ETag"]
    found = problem(patch(client, f"closets/{closet.pk}", {"change": WHY}, etag), 400, "invalid")
    assert found["errors"][0]["code"] == "empty"


# --- ended --------------------------------------------------------------------------------------------------


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


# --- refused ------------------------------------------------------------------------------------------------


def test_a_name_that_is_taken(closet: Closet, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    body = {"site_id": closet.site_id, "name": closet.name, "change": WHY}
    found = problem(post(client, "closets", body), 409, "conflict")
    assert found["errors"] == [
        {
            "pointer": "/name",
            "code": "closet_name_once_a_site",
            "detail": "Another closet of this site has this name.",
        }
    ]


def test_a_value_that_no_rule_allows(manager: User, with_token: Caller) -> None:
    body = {"name": "odd", "kind": "horn", "poe_class": 9, "change": {"reason": "new"}}
    found = problem(post(with_token(manager), "catalogue/devices", body), 400, "invalid")
    assert found["errors"][0]["pointer"] == "/poe_class"


def test_a_word_that_is_none(manager: User, with_token: Caller) -> None:
    body = {"name": "odd", "kind": "trumpet", "change": {"reason": "new"}}
    found = problem(post(with_token(manager), "catalogue/devices", body), 400, "invalid")
    assert "horn" in found["errors"][0]["detail"]


def test_what_is_referred_to_must_be_there_and_seen(
    site: Site, other_site: Site, outsider: User, technician: User, manager: User, with_token: Caller
) -> None:
    """Outside the grant and never there are one answer, here as well."""
    stated = []
    for number in (other_site.pk, 10**9):
        body = {"site_id": number, "name": "MDF", "change": WHY}
        answer = problem(post(with_token(technician), "closets", body), 400, "invalid")
        stated.append(
            {**answer["errors"][0], "detail": answer["errors"][0]["detail"].replace(str(number), "#")}
        )
    assert stated == [{"pointer": "/site_id", "code": "not_found", "detail": "There is no site #."}] * 2
    theirs = factories.make_closet(other_site)
    for client in (with_token(technician), with_token(manager)):
        body = {"site_id": site.pk, "closet_id": theirs.pk, "role": "site", "name": "Ada", "change": WHY}
        answer = post(client, "contacts", body)
        assert answer.status_code in (400, 422), answer.content
        assert answer.json()["errors"][0]["pointer"] == "/closet_id"
    assert not Contact.objects.exists()


def test_a_contract_covers_sites_of_its_own_customer(
    customer: Customer, other_site: Site, manager: User, with_token: Caller
) -> None:
    contract = factories.make_contract(customer)
    body = {
        "contract_id": contract.pk,
        "site_id": other_site.pk,
        "first_day": "2026-01-01",
        "change": {"reason": "new"},
    }
    found = problem(post(with_token(manager), "coverages", body), 422, "unprocessable")
    assert found["errors"][0]["pointer"] == "/site_id"


def test_one_contract_at_a_time_covers_a_site(
    customer: Customer, site: Site, manager: User, with_token: Caller
) -> None:
    client = with_token(manager)
    contract = factories.make_contract(customer)
    factories.make_coverage(contract, site, date(2024, 1, 1))
    body = {"contract_id": contract.pk, "site_id": site.pk, "first_day": "2026-01-01", "change": WHY}
    assert "on some of these days" in problem(post(client, "coverages", body), 409, "conflict")["detail"]
    backwards = {**body, "first_day": "2023-05-01", "end_day": "2023-05-01"}
    assert problem(post(client, "coverages", backwards), 400, "invalid")["errors"][0]["pointer"] == "/end_day"


def test_the_outsider_writes_to_nothing(
    things: dict[str, tuple[int, dict[str, Any]]], outsider: User, with_token: Caller
) -> None:
    client = with_token(outsider)
    for resource, (number, altered) in things.items():
        if resource in ("catalogue/devices", "catalogue/cables"):
            continue  # the catalogue is everybody's
        for write in (patch, delete) if resource in WITH_DELETE else (patch,):
            problem(write(client, f"{resource}/{number}", {**altered, "change": WHY}, "*"), 404, "not_found")


# --- at once ------------------------------------------------------------------------------------------------


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("resource", ["closets", "customers", "coverages"])
def test_of_two_who_read_the_same_version_one_writes(
    things: dict[str, tuple[int, dict[str, Any]]],
    manager: User,
    with_token: Caller,
    resource: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Both pass If-Match; the version is looked at once more under the lock."""
    number, altered = things[resource]
    address = f"{resource}/{number}"
    client = with_token(manager)
    before = client.get(f"/api/v1/{address}")
    together = Barrier(2, timeout=30)
    monkeypatch.setattr("api.conventions.writing.Writing.read", _waiting_at(together))

    def write(_: int) -> int:
        try:
            status: int = patch(client, address, {**altered, "change": WHY}, before["ETag"]).status_code
            return status
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(write, range(2))) == [200, 412]


def _waiting_at(barrier: Barrier) -> Callable[..., Any]:
    from api.conventions.writing import Writing

    read = Writing.read

    def read_and_wait(self: Writing, *args: Any) -> Any:
        found = read(self, *args)
        barrier.wait()
        return found

    return read_and_wait
