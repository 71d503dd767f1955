"""Many made by one request: all or none, in one change set, with every wrong item named."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.conventions.bulk import BulkMixin
from api.conventions.bulk_writing import MOST_ITEMS
from api.v1.routes import RESOURCES
from sites.models import Customer, DeviceModel, Site
from sites.models.access import User
from sites.models.changes import Change, ChangeSet
from sites.services.customers import customer_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.asking import ROOT, as_described, get, post
from tests.halls import Hall, make_hall
from zones.models import Point, PointFacts

WHY = {"reason": "as built", "happened_on": "2026-11-24", "job_reference": "J-7"}


@pytest.fixture
def client(manager: User, with_token: Caller) -> Client:
    return with_token(manager)


def made(client: Client, resource: str, *items: dict[str, Any], query: str = "") -> Any:
    return post(client, f"{resource}/bulk{query}", {"items": [*items], "change": WHY}).json()


def refused(client: Client, resource: str, *items: Any, status: int, code: str, **said: Any) -> Any:
    """The problem of items that are refused; nothing is written."""
    before = ChangeSet.objects.count(), Change.objects.count()
    body = {"items": [*items], "change": WHY, **said}
    answer = client.post(f"{ROOT}/{resource}/bulk", body, content_type="application/json")
    as_described(answer, "post")
    assert (ChangeSet.objects.count(), Change.objects.count()) == before
    return problem(answer, status, code)


def places(found: Any) -> list[tuple[str, str]]:
    return [(error["pointer"], error["code"]) for error in found["errors"]]


def chain(hall: Hall, count: int) -> list[dict[str, Any]]:
    """Speakers one behind the other, the first behind the hall's last."""
    return [
        {
            "run_id": hall.run.pk,
            "label": f"n{number}",
            "after_id": f"@n{number - 1}" if number else hall.points[-1].pk,
            "model_id": hall.speaker.pk,
            "length_m": 1.0,
            "length_basis": "measured",
        }
        for number in range(count)
    ]


def two_of_each(hall: Hall) -> dict[str, list[dict[str, Any]]]:
    """Two items for every resource that takes many."""
    site, closet = {"site_id": hall.site.pk}, {"closet_id": hall.closet.pk}
    customer = hall.site.customer
    other = factories.make_site(customer)
    contract = factories.make_contract(customer)
    gateway = factories.make_gateway(
        hall.closet, factories.make_model(DeviceModel.Kind.GATEWAY, output_count=4)
    )
    heard = [
        factories.make_gateway(hall.closet, factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER))
        for _ in range(2)
    ]
    switch = factories.make_model(DeviceModel.Kind.SWITCH, port_count=2)
    reading = {"kind": "run_current", "state": "idle", "taken_on": "2026-11-20", "run_id": hall.run.pk}
    row = {"block_id": hall.block.pk, "carries": "audio", "run_id": hall.run.pk, "pair": 1}
    named = [{"name": "one"}, {"name": "two"}]
    return {
        "contracts": [{"customer_id": customer.pk, "reference": name} for name in ("M-1", "M-2")],
        "coverages": [
            {"contract_id": contract.pk, "site_id": one.pk, "first_day": "2026-01-01"}
            for one in (hall.site, other)
        ],
        "closets": [{**site, **name, "floor": "2"} for name in named],
        "contacts": [{**site, **name, "role": "site"} for name in named],
        "catalogue/devices": [{**name, "kind": "horn", "full_output_current_a": 0.3} for name in named],
        "catalogue/cables": [{**name, "gauge_awg": 24} for name in named],
        "switches": [{**closet, **name, "model_id": switch.pk} for name in named],
        "endpoints": [{**site, **closet, **name} for name in named],
        "outputs": [{"endpoint_id": gateway.pk, "number": number} for number in (7, 8)],
        "supplies": [{**closet, **name} for name in named],
        "amplifiers": [{**closet, **name} for name in named],
        "blocks": [{**closet, **name, "kind": "66_split", "row_count": 20} for name in named],
        "landings": [{**row, "row": number} for number in (31, 35)],
        "tests": [{**reading, "value": value} for value in (0.5, 0.6)],
        "instruments": [{**name, "kind": "multimeter"} for name in named],
        "visits": [{**closet, "visited_on": "2026-11-20", "technician": name["name"]} for name in named],
        "paging-sets": [
            {**name, "zone_ids": [zone.pk]}
            for name, zone in zip(named, (hall.zone, hall.gangway), strict=True)
        ],
        "zones": [{**site, **name, "page_code": name["name"]} for name in named],
        "zone-endpoints": [{"zone_id": hall.zone.pk, "endpoint_id": one.pk} for one in heard],
        "runs": [{"block_id": hall.block.pk, **name, "kind": "self_amplified"} for name in named],
        "points": chain(hall, 2),
    }


TAKING_MANY = sorted(name for name, view_set in RESOURCES.items() if issubclass(view_set, BulkMixin))
LEFT_OUT = {
    "sites",  # a change set is of one site, and a new site has one of its own
    "customers",  # who makes one is granted it
    "users",
    "secrets",  # a code is set one at a time
    "change-sets",  # which is a list of operations by itself
}


def test_all_that_is_made_one_by_one_is_made_many_at_a_time() -> None:
    created = {name for name, view_set in RESOURCES.items() if hasattr(view_set, "create")}
    assert created - set(TAKING_MANY) == LEFT_OUT


@pytest.mark.parametrize("resource", TAKING_MANY)
def test_they_are_made_as_one_is_made(hall: Hall, client: Client, manager: User, resource: str) -> None:
    items = two_of_each(hall)[resource]
    sets = ChangeSet.objects.count()
    answer = made(client, resource, *items)
    assert ChangeSet.objects.count() == sets + 1
    change_set = ChangeSet.objects.get(pk=answer["change_set_id"])
    assert (change_set.reason, change_set.job_reference, change_set.user) == ("as built", "J-7", manager)
    assert len(change_set.operations) == 2
    assert len(answer["items"]) == (4 if resource == "landings" else 2), "a pair is landed on two rows"
    for shown in answer["items"]:
        assert get(client, f"{resource}/{shown['id']}") == shown
    if resource != "landings":
        for sent, shown in zip(items, answer["items"], strict=True):
            told = {name: value for name, value in sent.items() if name not in ("label", "after_id")}
            assert {name: shown[name] for name in told} == told


def test_a_chain_hangs_together_by_its_labels(hall: Hall, client: Client) -> None:
    ids = [one["id"] for one in made(client, "points", *chain(hall, 3))["items"]]
    facts = PointFacts.objects.filter(point__in=ids).order_by("point_id")
    assert [row.parent_id for row in facts] == [hall.points[-1].pk, *ids[:2]]


def test_what_is_planned_is_answered_as_it_will_begin(hall: Hall, client: Client) -> None:
    day = "2199-01-01"
    body = {"items": chain(hall, 2), "change": {**WHY, "happened_on": day, "planned": True}}
    shown = post(client, "points/bulk", body).json()["items"]
    assert [(one["unchanged_since"], one["model_id"]) for one in shown] == [(day, hall.speaker.pk)] * 2


def test_the_effect_of_all_of_them_is_told_once(hall: Hall, client: Client) -> None:
    items = [{**one, "current_basis": "measured"} for one in chain(hall, 12)]
    effect = made(client, "points", *items, query="?effect=true")["effect"]
    (supply,) = [one for one in effect["items"] if one["code"] == "supply_current"]
    # by hand: 40 and 52 speakers at 40 mA
    assert supply["before"]["likely"] == pytest.approx(1.60)
    assert supply["after"]["likely"] == pytest.approx(2.08)


# --- what is refused ----------------------------------------------------------------------------------------


def test_every_wrong_value_of_every_item_is_named(hall: Hall, client: Client) -> None:
    items: list[Any] = [*chain(hall, 2), {"run_id": 10**12, "length_m": -1, "colour": "red"}, 7, {}]
    items[1] = {**items[1], "label": "a/b", "model_id": 10**12}
    found = refused(client, "points", *items, status=400, code="invalid", more=1)
    assert sorted(places(found)) == [
        ("/items/1/label", "invalid"),
        ("/items/2/colour", "unknown"),
        ("/items/2/length_m", "invalid"),
        ("/items/2/run_id", "not_found"),
        ("/items/3", "invalid"),
        ("/items/4/run_id", "required"),
        ("/more", "unknown"),
    ]


def test_every_item_that_the_record_refuses_is_named(hall: Hall, client: Client) -> None:
    first, second, third = chain(hall, 3)
    horn = factories.make_model(DeviceModel.Kind.SWITCH)
    items = [
        first,
        {**second, "model_id": horn.pk},  # no device of a run
        third,  # behind the one that is refused: nothing is known of it
        {
            **first,
            "label": "x",
            "after_id": Point.objects.filter(run=hall.gangway_run)[0].pk,
        },  # of another run
        {**first, "label": "y", "after_id": "@nobody"},
    ]
    found = refused(client, "points", *items, status=422, code="unprocessable")
    assert [pointer for pointer, _ in places(found)] == [
        "/items/1/model_id",
        "/items/3/after_id",
        "/items/4/after_id",
    ]


def test_two_that_are_in_each_others_way(hall: Hall, client: Client) -> None:
    zone = {"site_id": hall.site.pk, "name": "Deck"}
    found = refused(client, "zones", zone, {**zone, "name": "Bow"}, zone, zone, status=409, code="conflict")
    assert [pointer for pointer, _ in places(found)] == ["/items/2/name", "/items/3/name"]
    assert "Another zone of this site has this name" in found["detail"]


def test_the_reason_is_of_all_of_them(hall: Hall, client: Client) -> None:
    zone = {"site_id": hall.site.pk, "name": "Deck"}
    found = refused(client, "zones", {**zone, "change": WHY}, status=400, code="invalid", change={})
    assert places(found) == [("/change/reason", "required"), ("/items/0/change", "unknown")]
    late = {**WHY, "happened_on": "2199-01-01"}
    found = refused(client, "zones", zone, zone, status=422, code="unprocessable", change=late)
    assert [pointer for pointer, _ in places(found)] == ["/change/happened_on"]


@pytest.mark.parametrize("count", [0, MOST_ITEMS + 1])
def test_none_and_too_many(hall: Hall, client: Client, count: int) -> None:
    items = [{"site_id": hall.site.pk, "name": f"Zone {number}"} for number in range(count)]
    found = refused(client, "zones", *items, status=400, code="invalid")
    assert places(found) == [("/items", "invalid")]
    assert f"a list of 1 to {MOST_ITEMS} items; there are {count}" in found["detail"]


def test_as_many_as_are_allowed(hall: Hall, client: Client) -> None:
    items = [{"site_id": hall.site.pk, "name": f"Zone {number}"} for number in range(MOST_ITEMS)]
    assert [one["name"] for one in made(client, "zones", *items)["items"]] == [one["name"] for one in items]


def test_items_of_two_sites_are_two_requests(hall: Hall, client: Client, customer: Customer) -> None:
    other = factories.make_site(customer)
    items = [{"site_id": one, "name": "Deck"} for one in (hall.site.pk, other.pk, hall.site.pk)]
    found = refused(client, "zones", *items, status=400, code="invalid")
    assert places(found) == [("/items/1", "of_another_site")]
    assert f"on site {other.pk}" in found["detail"]


# --- who may ------------------------------------------------------------------------------------------------


def test_what_is_not_granted_does_not_exist(
    hall: Hall, technician: User, with_token: Caller, other_site: Site
) -> None:
    client = with_token(technician)
    theirs = make_hall(closet := factories.make_closet(other_site), factories.make_block(closet))
    own, hidden, absent = (
        {"run_id": run, "model_id": hall.speaker.pk} for run in (hall.run.pk, theirs.run.pk, 10**12)
    )
    found = refused(client, "points", own, hidden, absent, status=400, code="invalid")
    assert places(found) == [("/items/1/run_id", "not_found"), ("/items/2/run_id", "not_found")]
    details = [error["detail"] for error in found["errors"]]
    assert details == [f"There is no run {run}." for run in (theirs.run.pk, 10**12)]
    # What the operation itself looks for, under the site's lock
    behind = {**own, "after_id": theirs.points[0].pk}
    found = refused(client, "points", own, behind, status=400, code="invalid")
    assert places(found) == [("/items/1/after_id", "not_found")]


def test_a_technician_whose_changes_are_looked_at_first(
    hall: Hall, customer: Customer, technician: User, with_token: Caller
) -> None:
    client = with_token(technician)
    made(client, "points", *chain(hall, 1))
    customer_alter(factories.change(), customer=customer, technicians_accept=False)
    found = refused(client, "points", *chain(hall, 2), status=403, code="forbidden")
    assert "send it as a draft (POST /api/v1/change-sets)" in found["detail"]
    wrong = {"run_id": hall.run.pk, "after_id": "@nobody"}
    refused(client, "points", wrong, status=403, code="forbidden")
    # The same items are the operations of the draft
    operations = [{"op": "point.append", **one} for one in chain(hall, 2)]
    post(client, "change-sets", {"site_id": hall.site.pk, "reason": "more", "operations": operations})
    # What was measured nobody has to accept
    reading = {"kind": "run_current", "state": "idle", "value": 0.1, "taken_on": "2026-11-20"}
    made(client, "tests", *[{**reading, "run_id": hall.run.pk}] * 2)


# --- done once, and at what cost ----------------------------------------------------------------------------


def test_sent_twice_with_a_key_it_is_done_once(hall: Hall, client: Client) -> None:
    body = {"items": chain(hall, 3), "change": WHY}

    def send(body: Any) -> Any:
        return client.post(
            f"{ROOT}/points/bulk", body, content_type="application/json", headers={"Idempotency-Key": "k-1"}
        )

    first, again = send(body), send(body)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.content == first.content
    assert again["Idempotency-Replayed"] == "true"
    assert Point.objects.filter(run=hall.run).count() == 33
    problem(send({**body, "items": chain(hall, 2)}), 422, "key_reused")


def test_one_that_was_refused_can_be_sent_again_with_its_key(hall: Hall, client: Client) -> None:
    zone = {"site_id": hall.site.pk, "name": hall.zone.name}
    headers = {"Idempotency-Key": "k-2"}
    for name, status in ((hall.zone.name, 409), ("Deck", 201)):
        body = {"items": [{**zone, "name": "Bow"}, {**zone, "name": name}], "change": WHY}
        answer = client.post(f"{ROOT}/zones/bulk", body, content_type="application/json", headers=headers)
        assert answer.status_code == status, answer.content


@pytest.mark.parametrize(
    ("resource", "most"),
    [("points", 5), ("zones", 2), ("contacts", 1), ("tests", 3), ("landings", 7)],
)
def test_each_item_costs_what_it_alone_needs(hall: Hall, client: Client, resource: str, most: int) -> None:
    """most: statements that an item adds, as its operation needs them."""

    def items(first: int, count: int) -> list[dict[str, Any]]:
        numbers = range(first, first + count)
        site, run = {"site_id": hall.site.pk}, {"run_id": hall.run.pk}
        last = Point.objects.filter(run=hall.run).order_by("-rank").values_list("pk", flat=True)[0]
        reading = {"kind": "run_current", "state": "idle", "value": 0.1, "taken_on": "2026-11-20"}
        found: dict[str, list[dict[str, Any]]] = {
            "points": [{**run, "model_id": hall.speaker.pk, "after_id": last} for _ in numbers],
            "zones": [{**site, "name": f"Zone {number}"} for number in numbers],
            "contacts": [{**site, "name": f"Ada {number}", "role": "site"} for number in numbers],
            "tests": [{**reading, **run} for _ in numbers],
            "landings": [
                {"block_id": hall.block.pk, "row": 2 * number + 1, "pair": 1, "carries": "audio", **run}
                for number in numbers
            ],
        }
        return found[resource]

    def statements(first: int, count: int) -> int:
        body = {"items": items(first, count), "change": WHY}
        with CaptureQueriesContext(connection) as caught:
            post(client, f"{resource}/bulk", body)
        return len(caught)

    few, many = statements(0, 2), statements(2, 12)
    assert (many - few) / 10 <= most
