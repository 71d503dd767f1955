"""Lists: pages by keyset, filters, orders, fields, expansions, counts, and what they cost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.conventions import fields
from api.v1.customers import CustomerSerializer, CustomerViewSet
from sites.models import Contact, Customer, DeviceModel, Site, User
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller


@pytest.fixture
def terminals(customer: Customer) -> list[Site]:
    """Seven sites, three of the same name, so that the sort key has ties."""
    names = ["Bay", "Quay", "Quay", "Quay", "Ramp", "Arch", "Zinc"]
    return [factories.make_site(customer, code=f"t-{number}", name=name) for number, name in enumerate(names)]


@pytest.mark.parametrize("order", ["name", "-name", "id", "-id", "city", "-customer"])
@pytest.mark.parametrize("page_size", [1, 2, 3, 6, 7, 8])
def test_pages_hold_every_row_once_and_in_order(
    terminals: list[Site], reader: User, with_token: Caller, order: str, page_size: int
) -> None:
    client = with_token(reader)
    seen: list[int] = []
    for page in walked(client, "/api/v1/sites", order=order, page_size=page_size):
        assert len(page["items"]) <= page_size
        seen += [item["id"] for item in page["items"]]
    name, is_down = order.removeprefix("-"), order.startswith("-")

    def place(site: Site) -> tuple[Any, int]:
        value: Any = {"id": site.pk, "customer": site.customer.name}.get(name) or getattr(site, name)
        return value if name == "id" else value.lower(), site.pk

    assert seen == [site.pk for site in sorted(terminals, key=place, reverse=is_down)]


def test_a_row_written_between_two_pages_moves_none(
    terminals: list[Site], customer: Customer, reader: User, with_token: Caller
) -> None:
    client = with_token(reader)
    first = client.get("/api/v1/sites", {"page_size": 3}).json()
    factories.make_site(customer, code="early", name="Aaa: sorts before everything")
    second = client.get("/api/v1/sites", {"page_size": 500, "cursor": first["next"]}).json()
    ids = [item["id"] for item in first["items"] + second["items"]]
    assert len(ids) == len(set(ids)) == len(terminals)


def test_nulls_come_last_and_pages_go_through_them(manager: User, with_token: Caller) -> None:
    for gauge in [24, None, 18, None, None, 24]:
        factories.make_cable(gauge_awg=gauge)
    client = with_token(manager)
    for order, expected in [("gauge_awg", [18, 24, 24]), ("-gauge_awg", [24, 24, 18])]:
        pages = walked(client, "/api/v1/catalogue/cables", order=order, page_size=2)
        gauges = [item["gauge_awg"] for page in pages for item in page["items"]]
        assert gauges == [*expected, None, None, None]


@pytest.mark.parametrize(
    "other",
    [{"order": "code"}, {"customer_id": "1"}, {"city": "Hove"}],
    ids=["another order", "another filter", "one filter more"],
)
def test_a_cursor_belongs_to_its_list(
    terminals: list[Site], reader: User, with_token: Caller, other: dict[str, str]
) -> None:
    client = with_token(reader)
    cursor = client.get("/api/v1/sites", {"page_size": 2}).json()["next"]
    answer = client.get("/api/v1/sites", {"page_size": "2", "cursor": str(cursor)} | other)
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "cursor"


def test_a_cursor_belongs_to_the_scope_it_was_given_in(
    terminals: list[Site], reader: User, manager: User, with_token: Caller
) -> None:
    cursor = with_token(reader).get("/api/v1/sites", {"page_size": 2}).json()["next"]
    answer = with_token(manager).get("/api/v1/sites", {"page_size": 2, "cursor": cursor})
    assert answer.status_code == 400


def test_a_forged_cursor_is_refused(terminals: list[Site], reader: User, with_token: Caller) -> None:
    client = with_token(reader)
    cursor = client.get("/api/v1/sites", {"page_size": 2}).json()["next"]
    for forged in ["", "x", cursor[:-1], "A" + cursor[1:], cursor.replace(":", "", 1)]:
        answer = client.get("/api/v1/sites", {"cursor": forged})
        assert answer.status_code == 400, forged
        assert answer.json()["errors"][0]["parameter"] == "cursor"


def test_the_page_size_may_change_between_pages(
    terminals: list[Site], reader: User, with_token: Caller
) -> None:
    client = with_token(reader)
    first = client.get("/api/v1/sites", {"page_size": 2}).json()
    rest = client.get("/api/v1/sites", {"page_size": 500, "cursor": first["next"]}).json()
    assert len(first["items"]) + len(rest["items"]) == len(terminals)
    assert rest["next"] is None


def test_no_count_unless_asked(terminals: list[Site], reader: User, with_token: Caller) -> None:
    client = with_token(reader)
    assert set(client.get("/api/v1/sites").json()) == {"items", "next"}
    counted = client.get("/api/v1/sites", {"count": "true", "page_size": "2"}).json()
    assert (counted["count"], counted["count_is_capped"]) == (7, False)


def test_the_count_is_capped(
    terminals: list[Site], reader: User, with_token: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("api.conventions.pagination.LARGEST_COUNT", 4)
    counted = with_token(reader).get("/api/v1/sites", {"count": "true"}).json()
    assert (counted["count"], counted["count_is_capped"]) == (4, True)


class _CustomerInWords(CustomerSerializer):
    words = fields.Text(source="__str__", read_only=True)

    class Meta(CustomerSerializer.Meta):
        pass


def test_a_list_may_show_what_only_a_model_knows(
    terminals: list[Site],
    customer: Customer,
    reader: User,
    with_token: Caller,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert CustomerSerializer.shows_columns()
    assert not _CustomerInWords.shows_columns()
    monkeypatch.setattr(CustomerViewSet, "serializer_class", _CustomerInWords)
    (shown,) = with_token(reader).get("/api/v1/customers").json()["items"]
    assert shown["words"] == customer.name


def test_requests_that_ask_for_other_fields_do_not_meet(
    terminals: list[Site], reader: User, with_token: Caller
) -> None:
    """Serializers are kept, by what they were asked to show."""
    client = with_token(reader)
    queries: list[tuple[dict[str, str], set[str]]] = [
        ({"fields": "name"}, {"id", "name"}),
        ({"fields": "city"}, {"id", "city"}),
        ({"fields": "city", "expand": "customer"}, {"id", "city", "customer"}),
        ({"fields": "city", "expand": "coverages"}, {"id", "city", "coverages", "left_out"}),
        ({"fields": "name"}, {"id", "name"}),
    ]
    for query, expected in queries:
        assert set(client.get("/api/v1/sites", query).json()["items"][0]) == expected
        assert set(client.get(f"/api/v1/sites/{terminals[0].pk}", query).json()) == expected


def test_queries_of_a_list_do_not_meet(terminals: list[Site], reader: User, with_token: Caller) -> None:
    """The fields of queries are kept too, but not what was asked with them."""
    client = with_token(reader)
    first = client.get("/api/v1/sites", {"page_size": "1", "order": "-name", "count": "true"}).json()
    assert ([site["name"] for site in first["items"]], first["count"]) == (["Zinc"], 7)
    usual = client.get("/api/v1/sites").json()
    assert (len(usual["items"]), usual["items"][0]["name"], "count" in usual) == (7, "Arch", False)


def test_fields_and_expand(
    terminals: list[Site], customer: Customer, reader: User, with_token: Caller
) -> None:
    client = with_token(reader)
    chosen = client.get("/api/v1/sites", {"fields": "name,city"}).json()["items"][0]
    assert set(chosen) == {"id", "name", "city"}
    expanded = client.get("/api/v1/sites", {"expand": "customer,coverages"}).json()["items"][0]
    assert expanded["customer"]["code"] == customer.code
    assert expanded["coverages"] == []
    single = client.get(f"/api/v1/sites/{terminals[0].pk}", {"fields": "id", "expand": "customer"}).json()
    assert set(single) == {"id", "customer"}
    own = {"id", "code", "name", "note", "probably_past_opens_cases", "technicians_accept"}
    assert set(single["customer"]) == own, "`fields` is about the thing asked for"


@pytest.mark.parametrize(
    ("query", "parameter", "stated"),
    [
        ({"custmer_id": "3"}, "custmer_id", "Did you mean customer_id?"),
        ({"page_size": "501"}, "page_size", "500"),
        ({"page_size": "0"}, "page_size", "1"),
        ({"page_size": "many"}, "page_size", "whole number"),
        ({"order": "nmae"}, "order", "Did you mean name?"),
        ({"fields": "id,adress"}, "fields", "Did you mean address?"),
        ({"expand": "customer.sites"}, "expand", "customer"),
        ({"count": "yes"}, "count", "true or false"),
        ({"customer_id": "1.5"}, "customer_id", "id"),
        ({"customer_id": "9223372036854775808"}, "customer_id", "9223372036854775807"),
        ({"covered_on": "yesterday"}, "covered_on", "2026-11-25"),
        ({"city": "a\x00b"}, "city", "Null"),
    ],
)
def test_a_bad_query_is_named(
    reader: User, with_token: Caller, query: dict[str, str], parameter: str, stated: str
) -> None:
    answer = with_token(reader).get("/api/v1/sites", query)
    assert answer.status_code == 400
    (error,) = answer.json()["errors"]
    assert error["parameter"] == parameter
    assert stated in error["detail"]


def test_a_parameter_given_twice_is_named(reader: User, with_token: Caller) -> None:
    answer = with_token(reader).get("/api/v1/sites?city=a&city=b")
    assert answer.status_code == 400
    assert answer.json()["errors"] == [
        {"parameter": "city", "code": "repeated", "detail": "city is given twice."}
    ]


def test_everything_wrong_in_a_query_is_named_at_once(reader: User, with_token: Caller) -> None:
    answer = with_token(reader).get("/api/v1/sites", {"page_size": "x", "order": "y", "sort": "z"})
    assert {error["parameter"] for error in answer.json()["errors"]} == {"page_size", "order", "sort"}


ADDRESSES = [
    "/api/v1/customers",
    "/api/v1/contracts?expand=customer,coverages",
    "/api/v1/coverages",
    "/api/v1/sites?expand=customer,coverages&count=true",
    "/api/v1/closets?expand=site,contacts",
    "/api/v1/contacts",
    "/api/v1/catalogue/devices",
    "/api/v1/catalogue/cables",
]


@pytest.mark.parametrize("address", ADDRESSES)
def test_a_list_costs_the_same_however_long(
    address: str, customer: Customer, other_customer: Customer, reader: User, with_token: Caller
) -> None:
    client = with_token(reader, customers=[customer])
    client.get(address)  # the first request of a token also notes that it is in use
    fill(customer, 0, 10)
    short = cost_of(client, address)
    fill(customer, 10, 60)
    assert cost_of(client, address) == short <= 12


def fill(customer: Customer, first: int, until: int) -> None:
    for _ in range(first, until):
        site = factories.make_site(customer)
        closet = factories.make_closet(site)
        contact_add(factories.change(site), closet=closet, role=Contact.Role.SITE, name="Ada")
        factories.make_coverage(factories.make_contract(customer), site)
        factories.make_model(DeviceModel.Kind.HORN)
        factories.make_cable()


def cost_of(client: Client, address: str) -> int:
    with CaptureQueriesContext(connection) as queries:
        answer = client.get(address)
    assert answer.status_code == 200
    assert answer.json()["items"]
    return len(queries)


def walked(client: Client, address: str, **query: str | int) -> Iterator[dict[str, Any]]:
    """Each page of a list."""
    asked: dict[str, str | int] = dict(query)
    while True:
        page = client.get(address, asked).json()
        yield page
        if page["next"] is None:
            return
        asked["cursor"] = page["next"]
