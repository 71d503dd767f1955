"""Writes that are refused: all that is wrong is named at once, and nothing is written."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from sites.models import Closet, Contact, Customer, Site, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.writes import RESOURCES, WHY, delete, patch, post

WITH_DELETE = ["coverages", "closets", "contacts"]


@pytest.mark.parametrize("resource", RESOURCES)
def test_unknown_names_are_always_listed_once_the_version_holds(
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


def test_everything_wrong_is_listed_at_once(site: Site, technician: User, with_token: Caller) -> None:
    body = {
        "site": site.pk,
        "name": 5,
        "ladder_m": "3",
        "dangers": None,
        "floors": "2",
        "change": {"reason": " ", "happened_on": "yesterday", "why": "x"},
    }
    found = problem(post(with_token(technician), "closets", body), 400, "invalid")
    details = {error["pointer"]: error["detail"] for error in found["errors"]}
    assert set(details) == {
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
    assert "Did you mean site_id?" in details["/site"]
    assert "Did you mean floor?" in details["/floors"]
    assert "2026-11-25" in details["/change/happened_on"]
    assert not Closet.objects.exists()


def test_a_patch_of_nothing(closet: Closet, technician: User, with_token: Caller) -> None:
    client = with_token(technician)
    etag = client.get(f"/api/v1/closets/{closet.pk}")["ETag"]
    found = problem(patch(client, f"closets/{closet.pk}", {"change": WHY}, etag), 400, "invalid")
    assert found["errors"][0]["code"] == "empty"


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
    details = []
    for number in (other_site.pk, 10**9):
        body = {"site_id": number, "name": "MDF", "change": WHY}
        answer = problem(post(with_token(technician), "closets", body), 400, "invalid")
        details.append(
            {**answer["errors"][0], "detail": answer["errors"][0]["detail"].replace(str(number), "#")}
        )
    assert details == [{"pointer": "/site_id", "code": "not_found", "detail": "There is no site #."}] * 2
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
        if resource in ("catalogue/devices", "catalogue/cables", "instruments"):
            continue  # what all customers share is everybody's
        for write in (patch, delete) if resource in WITH_DELETE else (patch,):
            problem(write(client, f"{resource}/{number}", {**altered, "change": WHY}, "*"), 404, "not_found")
