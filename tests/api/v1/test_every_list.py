"""Holds every list, also of new resources, to its cost, its scope and its description."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.v1.routes import RESOURCES
from sites.models import Customer
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1 import plenty
from tests.api.v1.asking import ROOT, get

MOST_QUERIES = 12
MOST_JOINS = 7
"""With eight tables PostgreSQL still weighs every order of them (``join_collapse_limit``)."""
# The catalogue belongs to no customer
SHARED = {"catalogue/devices", "catalogue/cables", "instruments"}
LISTS = RESOURCES
LEFT_OUT: dict[str, set[str]] = {}
"""Fields that a thing has in a list only where there is something to say."""


@pytest.fixture
def keeper(customer: Customer) -> User:
    """Sees every list there is, of one customer."""
    return factories.make_user(User.Role.MANAGER, customers=[customer])


def whole_address(name: str) -> str:
    """A list with all that can be asked of it at once."""
    expansions = ",".join(LISTS[name].serializer_class.expansions)
    return f"{ROOT}/{name}?count=true&page_size=500" + (f"&expand={expansions}" if expansions else "")


def test_no_list_joins_more_tables_than_are_planned_at_once(
    customer: Customer, keeper: User, with_token: Caller
) -> None:
    plenty.one_hall(customer)
    client = with_token(keeper, customers=[customer])
    for name in LISTS:
        with CaptureQueriesContext(connection) as queries:
            cost_of(client, name)
        joins = max(query["sql"].count(" JOIN ") for query in queries)
        assert joins <= MOST_JOINS, name


def cost_of(client: Client, name: str) -> tuple[int, int]:
    """How many queries the list takes, and how many items it has."""
    with CaptureQueriesContext(connection) as queries:
        answer = client.get(whole_address(name))
    assert answer.status_code == 200, (name, answer.content)
    return len(queries), len(answer.json()["items"])


@pytest.mark.slow
def test_every_list_costs_the_same_however_long(customer: Customer, keeper: User, with_token: Caller) -> None:
    client = with_token(keeper, customers=[customer])
    hall = plenty.one_hall(customer)
    plenty.add(hall, 4)
    client.get(f"{ROOT}/sites")  # the first request of a token also notes that it is in use
    before = {name: cost_of(client, name) for name in LISTS}
    plenty.add(hall, 30)
    after = {name: cost_of(client, name) for name in LISTS}
    for name in LISTS:
        if name == "customers":
            continue  # one customer is all that this reader sees
        assert after[name][1] >= before[name][1] + min(30, 500 - before[name][1]), f"{name} did not grow"
        assert after[name][0] == before[name][0], f"{name} costs more the longer it is: {before}, {after}"
    assert {name: cost for name, (cost, _) in after.items() if cost > MOST_QUERIES} == {}


def test_every_list_and_thing_is_as_it_is_described(
    customer: Customer, keeper: User, with_token: Caller
) -> None:
    client = with_token(keeper)
    plenty.add(plenty.one_hall(customer), 2)
    for name, view in LISTS.items():
        expansions = ",".join(view.serializer_class.expansions)
        queries: list[dict[str, Any]] = [{}, {"expand": expansions}] if expansions else [{}]
        for query in queries:
            items = get(client, name, page_size=3, **query)["items"]
            assert items, name
            single = get(client, f"{name}/{items[0]['id']}", **query)
            assert {key: single[key] for key in items[0]} == items[0], name
        every = set(view.serializer_class.field_names()) - LEFT_OUT.get(name, set())
        assert set(get(client, name, page_size=1)["items"][0]) == every, name
        assert set(get(client, name, page_size=1, fields="id")["items"][0]) == {"id"}


def test_every_list_is_empty_to_an_outsider(customer: Customer, keeper: User, with_token: Caller) -> None:
    plenty.add(plenty.one_hall(customer), 2)
    insider = with_token(keeper)
    outsider = with_token(factories.make_user(User.Role.MANAGER, customers=[factories.make_customer()]))
    for name in LISTS.keys() - SHARED:
        ours = get(insider, name)["items"]
        theirs = get(outsider, name, count="true")
        ids = {item["id"] for item in ours}
        assert not ids & {item["id"] for item in theirs["items"]}, name
        assert theirs["count"] == len(theirs["items"])
        hidden = outsider.get(f"{ROOT}/{name}/{ours[0]['id']}")
        never = outsider.get(f"{ROOT}/{name}/999999999")
        assert hidden.status_code == never.status_code == 404, name
        assert hidden.json()["detail"] == never.json()["detail"]


def test_every_list_can_be_walked_in_every_order(
    customer: Customer, keeper: User, with_token: Caller
) -> None:
    client = with_token(keeper)
    plenty.add(plenty.one_hall(customer), 3)
    for name, view in LISTS.items():
        everything = {item["id"] for item in get(client, name, page_size=500)["items"]}
        for order in view.ordering_fields:
            for sign in ("", "-"):
                assert walked(client, name, f"{sign}{order}") == everything, (name, sign, order)


def walked(client: Client, name: str, order: str) -> set[int]:
    """The ids of a list, page by page, each once."""
    size = 40
    seen: list[int] = []
    query: dict[str, Any] = {"order": order, "page_size": size}
    while True:
        page = client.get(f"{ROOT}/{name}", query).json()
        seen += [item["id"] for item in page["items"]]
        if page["next"] is None:
            break
        query["cursor"] = page["next"]
    assert len(seen) == len(set(seen)), name
    return set(seen)


@pytest.mark.parametrize("text", ["10.1.0", "x", "fe80::1%eth0", "10.1.0.5/24"])
def test_a_text_that_is_no_network_address_is_refused(reader: User, with_token: Caller, text: str) -> None:
    answer = with_token(reader).get(f"{ROOT}/endpoints", {"address": text})
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["parameter"]) == (400, "address")
    assert error["detail"] == "Expected a network address, as in 10.1.0.5 or 2001:db8::5."
