"""One's own subscriptions over REST: made with a secret that is shown once, changed, tested, looked into."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from api.events.deliveries.finished import Ended, finish
from api.events.deliveries.made import fan_out
from api.events.deliveries.taken import claim
from api.events.outbound import Answer
from api.events.publisher import publish
from sites.models import Customer, Delivery, Site, Subscription, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.events.telling import happen
from tests.api.v1.asking import delete, etag_of, get, patch, post

URL = "https://desk.example.com/hooks/zonebook"


@pytest.fixture
def desk(manager: User, with_token: Caller) -> Client:
    return with_token(manager, ["subscriptions:write"])


def made(client: Client, **given: Any) -> Any:
    return post(client, "subscriptions", {"name": "desk", "url": URL, **given}).json()


def refused(client: Client, body: dict[str, Any], status: int = 400) -> Any:
    answer = client.post("/api/v1/subscriptions", body, content_type="application/json")
    assert answer.status_code == status, answer.content
    return answer.json()


def happened(site: Site, *subjects: str) -> None:
    happen(site, *subjects)
    publish()
    fan_out()


def test_one_is_made_and_its_secret_is_shown_once(desk: Client) -> None:
    answer = post(desk, "subscriptions", {"name": "desk", "url": URL, "kinds": ["case.opened"]})
    one = answer.json()
    assert one["secret"].startswith("whsec_")
    assert answer["Cache-Control"] == "no-store"
    assert answer["Location"] == f"/api/v1/subscriptions/{one['id']}"
    shown = get(desk, f"subscriptions/{one['id']}")
    (listed,) = get(desk, "subscriptions")["items"]
    assert shown == listed == {name: value for name, value in one.items() if name != "secret"}
    assert (shown["url"], shown["kinds"], shown["customer_ids"]) == (URL, ["case.opened"], None)
    assert (shown["state"], shown["deliveries"]["waiting"]) == ("on", 0)
    assert one["secret"] not in str(Subscription.objects.values())


@pytest.mark.parametrize(
    ("given", "pointer", "said"),
    [
        ({"url": "http://desk.example.com/"}, "/url", "begins with https://"),
        ({"url": "https://10.0.0.1/"}, "/url", "not a public address"),
        ({"url": "https://mara:x@desk.example.com/"}, "/url", "user or password"),
        ({"url": "https://desk.example.com:22/"}, "/url", "Open: 443 and 8443"),
        ({"kinds": ["case.open"]}, "/kinds/0", "Did you mean case.opened?"),
        ({"least_severity": "bad"}, "/least_severity", "Expected one of: advice"),
        ({"customer_ids": [999999999]}, "/customer_ids", "You are granted no customer 999999999."),
        ({"colour": "red"}, "/colour", "There is no 'colour' here"),
        ({"name": ""}, "/name", "this one is blank"),
    ],
)
def test_what_is_wrong_is_named(desk: Client, given: dict[str, Any], pointer: str, said: str) -> None:
    (error,) = refused(desk, {"name": "desk", "url": URL, **given})["errors"]
    assert error["pointer"] == pointer
    assert said in error["detail"]


def test_it_is_changed_in_the_version_that_was_read(desk: Client) -> None:
    one = made(desk)
    address = f"subscriptions/{one['id']}"
    tag = etag_of(desk, address)
    changed = patch(desk, address, {"kinds": ["case.cleared"], "telephones": True}, tag).json()
    assert (changed["kinds"], changed["telephones"], changed["name"]) == (["case.cleared"], True, "desk")
    patch(desk, address, {"name": "other"}, tag, status=412)
    answer = desk.patch(f"/api/v1/{address}", {"name": "x"}, content_type="application/json")
    assert answer.status_code == 428
    patch(desk, address, {"url": "ftp://x/"}, etag_of(desk, address), status=400)
    assert get(desk, address)["url"] == URL


def test_off_and_on(desk: Client, site: Site) -> None:
    one = made(desk)
    address = f"subscriptions/{one['id']}"
    off = patch(desk, address, {"state": "off"}, etag_of(desk, address)).json()
    assert (off["state"], off["off_because"]) == ("off", "asked")
    assert off["off_because_words"] == "somebody switched it off"
    happened(site, "cases/1")
    assert get(desk, f"{address}/deliveries")["items"] == []
    post(desk, f"{address}/test", {}, status=409)
    on = post(desk, f"{address}/on", {}, status=200).json()
    assert (on["state"], on["off_because"]) == ("on", "")
    fan_out()
    assert len(get(desk, f"{address}/deliveries")["items"]) == 1


def test_removed_it_is_gone_with_its_deliveries(desk: Client, site: Site) -> None:
    one = made(desk)
    happened(site, "cases/1")
    address = f"subscriptions/{one['id']}"
    delete(desk, address, {}, etag_of(desk, address))
    assert desk.get(f"/api/v1/{address}").status_code == 404
    assert not Delivery.objects.exists()


def test_a_new_secret(desk: Client) -> None:
    one = made(desk)
    answer = post(desk, f"subscriptions/{one['id']}/rotate-secret", {}, status=200)
    new = answer.json()
    assert new["secret"] not in (None, one["secret"])
    assert answer["Cache-Control"] == "no-store"
    until = dt.datetime.fromisoformat(new["old_secret_until"])
    assert abs((until - timezone.now()).total_seconds() - 86_400) < 60


def test_a_secret_is_not_given_twice_for_a_key(desk: Client) -> None:
    body = {"name": "desk", "url": URL}
    first, again = (
        desk.post(
            "/api/v1/subscriptions",
            body,
            content_type="application/json",
            headers={"Idempotency-Key": "k-1"},
        ).json()
        for _ in range(2)
    )
    assert first["secret"]
    assert again == {**first, "secret": None}


def test_each_attempt_is_shown(desk: Client, site: Site) -> None:
    one = made(desk)
    happened(site, "cases/1")
    (due,) = claim(most=1)
    finish([Ended(due, Answer(None, "address"), 0.2)])
    (shown,) = get(desk, f"subscriptions/{one['id']}/deliveries")["items"]
    assert (shown["subject"], shown["state"], shown["failures"]) == ("cases/1", "waiting", 1)
    (attempt,) = shown["tries"]
    assert (attempt["status"], attempt["error"], attempt["duration_ms"]) == (None, "address", 200)
    assert attempt["error_words"] == "the host has an address that no push may go to"


def test_pages_of_deliveries(desk: Client, site: Site) -> None:
    one, other = made(desk), made(desk)
    happened(site, *(f"cases/{number}" for number in range(5)))
    address = f"subscriptions/{one['id']}/deliveries"
    first = get(desk, address, page_size=3)
    second = get(desk, address, page_size=3, cursor=first["next"])
    assert [each["subject"] for each in first["items"] + second["items"]] == [
        "cases/4", "cases/3", "cases/2", "cases/1", "cases/0",
    ]  # fmt: skip
    assert second["next"] is None
    assert get(desk, address, state="dead")["items"] == []
    for wrong in (f"{address}?state=dead&cursor=", f"subscriptions/{other['id']}/deliveries?cursor="):
        assert desk.get(f"/api/v1/{wrong}{first['next']}").status_code == 400
    assert desk.get(f"/api/v1/{address}?cursor=x").status_code == 400


def test_a_test_and_a_replay(desk: Client, site: Site) -> None:
    one = made(desk)
    address = f"subscriptions/{one['id']}"
    test = post(desk, f"{address}/test", {}, status=202).json()
    assert (test["subject"], test["state"]) == (address, "waiting")
    happened(site, "cases/1")
    Delivery.objects.update(state="delivered", next_attempt_at=None)
    now = timezone.now()
    since, until = ((now + dt.timedelta(hours=hours)).isoformat() for hours in (-1, 1))
    answer = post(desk, f"{address}/replay", {"since": since, "until": until}, status=202)
    assert answer.json() == {"count": 1}
    answer = post(desk, f"{address}/replay", {"since": until, "until": since}, status=400)
    assert answer.json()["errors"][0]["pointer"] == "/until"


def test_of_others_there_is_nothing(desk: Client, other_customer: Customer, with_token: Caller) -> None:
    one = made(desk)
    other = with_token(factories.make_user(User.Role.MANAGER, all_customers=True))
    assert get(other, "subscriptions")["items"] == []
    for method, path in (
        ("get", ""), ("patch", ""), ("delete", ""), ("post", "/on"), ("post", "/rotate-secret"),
        ("post", "/test"), ("post", "/replay"), ("get", "/deliveries"),
    ):  # fmt: skip
        asked = getattr(other, method)
        ours = asked(f"/api/v1/subscriptions/{one['id']}{path}", {}, content_type="application/json")
        never = asked(f"/api/v1/subscriptions/999999999{path}", {}, content_type="application/json")
        assert ours.status_code == never.status_code == 404, (method, path)
        assert ours.json()["detail"] == never.json()["detail"]


def test_a_token_of_some_customers_reaches_no_further(
    manager: User, site: Site, customer: Customer, other_customer: Customer, desk: Client, with_token: Caller
) -> None:
    """It sees the subscriptions of its customers alone, and makes none for others."""
    narrow = with_token(manager, ["subscriptions:write"], customers=[customer])
    everything = made(desk)
    both = made(desk, customer_ids=[customer.pk, other_customer.pk])
    theirs = made(desk, customer_ids=[customer.pk])
    own = made(narrow)
    assert own["customer_ids"] == [customer.pk]
    assert [one["id"] for one in get(narrow, "subscriptions")["items"]] == [theirs["id"], own["id"]]
    for hidden in (everything, both):
        assert narrow.get(f"/api/v1/subscriptions/{hidden['id']}").status_code == 404
    (error,) = refused(narrow, {"name": "x", "url": URL, "customer_ids": [other_customer.pk]})["errors"]
    assert error["pointer"] == "/customer_ids"
    address = f"subscriptions/{own['id']}"
    widened = patch(narrow, address, {"customer_ids": None}, etag_of(narrow, address)).json()
    assert widened["customer_ids"] == [customer.pk]


def test_what_is_no_longer_seen_is_in_no_list(with_token: Caller, site: Site) -> None:
    owner = factories.make_user(User.Role.MANAGER, customers=[site.customer, factories.make_customer()])
    client = with_token(owner)
    one = made(client)
    happened(site, "cases/1")
    assert len(get(client, f"subscriptions/{one['id']}/deliveries")["items"]) == 1
    owner.grants.filter(customer=site.customer).delete()
    assert get(client, f"subscriptions/{one['id']}/deliveries")["items"] == []


def test_a_list_costs_the_same_however_long(
    desk: Client, site: Site, django_assert_max_num_queries: Any
) -> None:
    one = made(desk)
    for _ in range(9):
        made(desk)
    happened(site, *(f"cases/{number}" for number in range(40)))
    for address in ("subscriptions", f"subscriptions/{one['id']}/deliveries"):
        with django_assert_max_num_queries(12):
            get(desk, address)


def test_the_operator_lets_inner_networks_be_subscribed(desk: Client, settings: Settings) -> None:
    from ipaddress import ip_network

    settings.PUSH_NETWORKS = [ip_network("10.20.0.0/16")]
    assert made(desk, url="https://10.20.0.1/hook")["url"] == "https://10.20.0.1/hook"
