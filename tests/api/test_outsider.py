"""An outsider, granted another customer: in no list, count, filter, order, expansion or error is there a
trace."""

from __future__ import annotations

import pytest

from sites.models import Contact, Customer, Site, User
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller


@pytest.fixture
def secret_plant(customer: Customer, site: Site) -> dict[str, int]:
    """One of everything of the ferry line, each with the word "hidden" in it; by resource, its id."""
    closet = factories.make_closet(site, name="hidden closet", building="hidden")
    contact = contact_add(
        factories.change(site), closet=closet, role=Contact.Role.SITE, name="hidden person"
    ).result
    contract = factories.make_contract(customer, reference="hidden contract")
    coverage = factories.make_coverage(contract, site)
    return {
        "customers": customer.pk,
        "contracts": contract.pk,
        "coverages": coverage.pk,
        "sites": site.pk,
        "closets": closet.pk,
        "contacts": contact.pk,
    }


def test_the_outsider_sees_none_of_it(
    secret_plant: dict[str, int], outsider: User, other_site: Site, with_token: Caller
) -> None:
    client = with_token(outsider)
    for resource, number in secret_plant.items():
        ours = client.get(f"/api/v1/{resource}/{number}")
        never = client.get(f"/api/v1/{resource}/999999999")
        assert ours.status_code == never.status_code == 404
        for left_out in ("request_id", "instance"):
            assert {k: v for k, v in ours.json().items() if k not in ("request_id", "instance")} == {
                k: v for k, v in never.json().items() if k not in ("request_id", "instance")
            }, left_out
        listed = client.get(f"/api/v1/{resource}", {"count": "true"}).json()
        assert number not in [item["id"] for item in listed["items"]]
        assert listed["count"] == len(listed["items"])


def test_filters_by_what_is_outside_find_nothing(
    secret_plant: dict[str, int], outsider: User, other_site: Site, with_token: Caller
) -> None:
    client = with_token(outsider)
    for address in [
        f"sites?customer_id={secret_plant['customers']}",
        f"sites?contract_id={secret_plant['contracts']}",
        f"closets?site_id={secret_plant['sites']}",
        "closets?building=hidden",
        f"contacts?closet_id={secret_plant['closets']}",
        f"contracts?customer_id={secret_plant['customers']}",
        "contracts?reference=hidden+contract",
        f"coverages?site_id={secret_plant['sites']}",
    ]:
        assert client.get(f"/api/v1/{address}&count=true").json() == {
            "items": [],
            "next": None,
            "count": 0,
            "count_is_capped": False,
        }, address


def test_those_who_are_granted_see_all_of_it(
    secret_plant: dict[str, int], reader: User, manager: User, with_token: Caller
) -> None:
    for user in (reader, manager):
        client = with_token(user)
        for resource, number in secret_plant.items():
            assert client.get(f"/api/v1/{resource}/{number}").status_code == 200
            assert number in [item["id"] for item in client.get(f"/api/v1/{resource}").json()["items"]]
