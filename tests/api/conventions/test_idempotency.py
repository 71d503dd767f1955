"""A write that is sent twice with one `Idempotency-Key` is done once, and answered alike."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from threading import Event
from typing import Any

import pytest
from django.db import connection, connections
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from api.conventions.schema import description
from api.monitoring import retention
from sites.models import Closet, Contact, Customer, Grant, KeptAnswer, Site, User
from sites.models.access import Token
from sites.models.changes import ChangeSet
from tests import factories
from tests.api.conftest import Caller

WHY = {"reason": "surveyed"}
COMPUTING = {"/api/v1/calculations/run", "/api/v1/change-sets/{id}/evaluate"}


def send(client: Client, method: str, address: str, body: Any, key: str | None, etag: str = "") -> Any:
    headers = {"Idempotency-Key": key} if key is not None else {}
    headers |= {"If-Match": etag} if etag else {}
    return client.generic(
        method, f"/api/v1/{address}", json.dumps(body), content_type="application/json", headers=headers
    )


def closet(site: Site, name: str = "IDF 7") -> dict[str, Any]:
    return {"site_id": site.pk, "name": name, "change": WHY}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def same_answer(first: Any, again: Any) -> None:
    assert again.status_code == first.status_code
    assert again.content == first.content
    for name in ("ETag", "Location", "Cache-Control", "Content-Type"):
        assert again.headers.get(name) == first.headers.get(name), name
    assert "Idempotency-Replayed" not in first.headers
    assert again["Idempotency-Replayed"] == "true"


def test_the_same_request_is_given_the_same_answer(client: Client, site: Site) -> None:
    first = send(client, "POST", "closets", closet(site), "k-1")
    written = ChangeSet.objects.count()
    again = send(client, "POST", "closets", closet(site), "k-1")
    assert first.status_code == 201
    same_answer(first, again)
    assert ChangeSet.objects.count() == written
    assert Closet.objects.filter(name="IDF 7").count() == 1


def test_without_a_key_it_is_done_again(client: Client, site: Site) -> None:
    assert send(client, "POST", "closets", closet(site), None).status_code == 201
    assert send(client, "POST", "closets", closet(site), None).status_code == 409


def test_changes_and_removals_take_one_too(client: Client, site: Site) -> None:
    made = send(
        client, "POST", "contacts", {"site_id": site.pk, "role": "site", "name": "Ada", "change": WHY}, "a"
    )
    address = f"contacts/{made.json()['id']}"
    altered = {"phone": "+1 555 0199", "change": WHY}
    first = send(client, "PATCH", address, altered, "b", made["ETag"])
    same_answer(first, send(client, "PATCH", address, altered, "b", made["ETag"]))
    assert first.status_code == 200
    gone = send(client, "DELETE", address, {"change": WHY}, "c", first["ETag"])
    same_answer(gone, send(client, "DELETE", address, {"change": WHY}, "c", first["ETag"]))
    assert (gone.status_code, gone.content) == (204, b"")
    assert not Contact.objects.exists()


def test_another_request_with_the_key_is_refused(client: Client, site: Site) -> None:
    first = send(client, "POST", "closets", closet(site), "k-1")
    others = [
        send(client, "POST", "closets", closet(site, "IDF 8"), "k-1"),
        send(client, "POST", "closets?effect=true", closet(site), "k-1"),
        send(client, "POST", "closets", closet(site), "k-1", first["ETag"]),
    ]
    for answer in others:
        assert (answer.status_code, answer.json()["code"]) == (422, "key_reused")
    address, altered = first["Location"].removeprefix("/api/v1/"), {"room": "2", "change": WHY}
    other = factories.make_closet(site)
    send(client, "PATCH", address, altered, "k-1", first["ETag"])
    elsewhere = send(client, "PATCH", f"closets/{other.pk}", altered, "k-1", first["ETag"])
    assert (elsewhere.status_code, elsewhere.json()["code"]) == (422, "key_reused")


def test_a_key_is_of_one_caller_and_one_route(
    client: Client, site: Site, technician: User, with_token: Caller, logged_in: Caller
) -> None:
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201
    for other in (with_token(technician), logged_in(technician)):
        answer = send(other, "POST", "closets", closet(site), "k-1")
        assert (answer.status_code, answer.json()["code"]) == (409, "conflict"), "it was done again"
    block = {"site_id": site.pk, "role": "site", "name": "Ada", "change": WHY}
    assert send(client, "POST", "contacts", block, "k-1").status_code == 201


def test_what_was_refused_is_looked_at_again(client: Client, site: Site) -> None:
    there = factories.make_closet(site, name="IDF 7")
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 409
    assert not KeptAnswer.objects.exists()
    tag = client.get(f"/api/v1/closets/{there.pk}")["ETag"]
    renamed = send(client, "PATCH", f"closets/{there.pk}", {"name": "IDF 1", "change": WHY}, None, tag)
    assert renamed.status_code == 200
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201


def test_the_answer_is_kept_with_the_change_or_neither_is(
    client: Client, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    def crash(**_kept: Any) -> None:
        raise RuntimeError

    with monkeypatch.context() as patched:
        patched.setattr(KeptAnswer.objects, "create", crash)
        assert send(client, "POST", "closets", closet(site), "k-1").status_code == 500
    assert not Closet.objects.filter(name="IDF 7").exists()
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201


def test_an_answer_is_kept_for_a_day(client: Client, site: Site) -> None:
    send(client, "POST", "closets", closet(site), "k-1")
    KeptAnswer.objects.update(made_at=timezone.now() - dt.timedelta(hours=23, minutes=59))
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201
    KeptAnswer.objects.update(made_at=timezone.now() - dt.timedelta(hours=24))
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 409  # the name is taken
    assert send(client, "POST", "closets", closet(site, "IDF 8"), "k-1").status_code == 201
    assert KeptAnswer.objects.count() == 1


def test_the_sweep_deletes_what_is_older(client: Client, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in range(3):
        send(client, "POST", "closets", closet(site, f"IDF {number}"), f"k-{number}")
    old = KeptAnswer.objects.filter(key__in=["k-0", "k-1"])
    old.update(made_at=timezone.now() - dt.timedelta(hours=24, seconds=1))
    monkeypatch.setattr(retention, "_next_s", 0.0)
    retention.forget_old()
    assert list(KeptAnswer.objects.values_list("key", flat=True)) == ["k-2"]


@pytest.mark.parametrize("key", ["", "two words", "k" * 256, "schlüssel", "a\tb"])
def test_what_can_be_no_key_is_refused(client: Client, site: Site, key: str) -> None:
    answer = client.post(
        "/api/v1/closets", closet(site), content_type="application/json", HTTP_IDEMPOTENCY_KEY=key
    )
    assert (answer.status_code, answer.json()["code"]) == (400, "bad_request")
    assert "1 to 255 visible ASCII characters" in answer.json()["detail"]
    assert not Closet.objects.exists()


def test_the_longest_key_is_taken(client: Client, site: Site) -> None:
    key = "~" * 254 + "!"
    same_answer(*(send(client, "POST", "closets", closet(site), key) for _ in range(2)))


def test_what_computes_takes_none_and_says_so(client: Client, site: Site) -> None:
    run = {"source": {"voltage_v": 24}, "points": [{"id": "p", "parent": None, "length_m": 5, "awg": 24}]}
    draft = {"site_id": site.pk, "reason": "plan", "operations": [{"op": "closet.add", "name": "IDF 9"}]}
    made = send(client, "POST", "change-sets", draft, "d").json()
    for address, body in (("calculations/run", run), (f"change-sets/{made['id']}/evaluate", {})):
        assert send(client, "POST", address, body, None).status_code == 200
        answer = send(client, "POST", address, body, "k")
        assert answer.status_code == 400
        assert "computes and writes nothing" in answer.json()["detail"]


def test_reading_overlooks_a_key(client: Client, site: Site) -> None:
    answer = client.get(f"/api/v1/sites/{site.pk}", headers={"Idempotency-Key": "two words"})
    assert answer.status_code == 200
    assert not KeptAnswer.objects.exists()


def test_a_secret_is_not_given_twice(manager: User, logged_in: Caller) -> None:
    client = logged_in(manager)
    first = send(client, "POST", "tokens", {"scopes": ["record:read"]}, "k-1")
    again = send(client, "POST", "tokens", {"scopes": ["record:read"]}, "k-1")
    secret = first.json()["secret"]
    assert again.json() == {**first.json(), "secret": None}
    assert (again["Idempotency-Replayed"], again["Idempotency-Withheld"]) == ("true", "secret")
    assert again["Cache-Control"] == "no-store"
    assert Token.objects.count() == 1
    assert secret.encode() not in bytes(KeptAnswer.objects.get().body)
    assert "null where" in str(description()["components"]["schemas"]["TokenMade"]["properties"]["secret"])


def test_no_secret_of_a_subscription_is_given_twice(manager: User, with_token: Caller) -> None:
    client = with_token(manager, ["subscriptions:write"])
    body = {"name": "desk", "url": "https://desk.example.com/hooks"}
    subscribed = [send(client, "POST", "subscriptions", body, "k-1") for _ in range(2)]
    rotate = f"subscriptions/{subscribed[0].json()['id']}/rotate-secret"
    rotated = [send(client, "POST", rotate, {}, "k-2") for _ in range(2)]
    secrets = {answers[0].json()["secret"] for answers in (subscribed, rotated)}
    assert len(secrets) == 2
    for first, again in (subscribed, rotated):
        assert again.status_code == first.status_code
        assert again.json() == {**first.json(), "secret": None}
        assert (again["Idempotency-Replayed"], again["Idempotency-Withheld"]) == ("true", "secret")
    kept = [bytes(row.body) for row in KeptAnswer.objects.all()]
    assert len(kept) == 2
    assert not [secret for secret in secrets for body in kept if secret.encode() in body]


def test_every_answer_with_a_secret_is_shown_once() -> None:
    """What a POST answers and no GET has `Idempotency-Withheld`, which `shown_once` adds. The code or the
    address of a customer or a site is not a secret: a GET answers it too. That of a calendar is its key."""
    read = {name for _, name, _ in answered("get")}
    schemas = description()["components"]["schemas"]
    found, withheld = set(), set()
    for path, name, headers in answered("post"):
        shown = set(schemas.get(name, {}).get("properties", {}))
        if name not in read and {"secret", "code", "address"} & shown:
            found.add(path)
        if "Idempotency-Withheld" in headers:
            withheld.add(path)
    assert found == withheld
    assert len(found) == 5


def answered(method: str) -> Iterator[tuple[str, str, Mapping[str, Any]]]:
    """Path, name of the schema, and headers of each successful answer."""
    for path, methods in description()["paths"].items():
        for status, answer in methods.get(method, {}).get("responses", {}).items():
            for kind in answer.get("content", {}).values() if status.startswith("2") else ():
                yield path, kind["schema"].get("$ref", "").rpartition("/")[2], answer.get("headers", {})


def test_who_no_longer_sees_it_is_not_given_it(
    client: Client, site: Site, customer: Customer, technician: User
) -> None:
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201
    Grant.objects.create(user=technician, customer=factories.make_customer())
    assert send(client, "POST", "closets", closet(site), "k-1").status_code == 201
    Grant.objects.filter(customer=customer).delete()
    gone = send(client, "POST", "closets", closet(site), "k-1")
    assert gone.status_code == 404
    assert b"IDF 7" not in gone.content


def test_who_made_a_customer_is_given_the_answer_again(with_token: Caller, customer: Customer) -> None:
    """Making it grants it: the caller sees more than before."""
    client = with_token(factories.make_user(User.Role.MANAGER, customers=[customer]))
    body = {"name": "Kelp Pools", "code": "kelp-pools", "change": WHY}
    same_answer(*(send(client, "POST", "customers", body, "k-1") for _ in range(2)))


def test_a_write_without_a_key_costs_nothing_more(client: Client, site: Site) -> None:
    send(client, "POST", "closets", closet(site, "IDF 1"), None)
    with CaptureQueriesContext(connection) as without:
        send(client, "POST", "closets", closet(site, "IDF 2"), None)
    statements = [query["sql"] for query in without]
    assert not [one for one in statements if "kept_answer" in one or "advisory" in one]
    with CaptureQueriesContext(connection) as with_key:
        send(client, "POST", "closets", closet(site, "IDF 3"), "k-1")
    # The lock, the look, the answer, and what begins and ends the transaction around them
    assert len(with_key) == len(without) + 5


def test_every_write_is_described_with_its_key() -> None:
    for path, operations in description()["paths"].items():
        for method, operation in operations.items():
            taken = [one for one in operation.get("parameters", ()) if one["name"] == "Idempotency-Key"]
            assert len(taken) == (method != "get" and path not in COMPUTING), f"{method} {path}"
            if taken:
                assert taken[0]["in"] == "header"
                assert not taken[0].get("required")
                assert {"409", "422"} <= set(operation["responses"])


@pytest.mark.django_db(transaction=True)
def test_while_it_is_answered_another_is_told_to_wait(
    site: Site, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_work, go_on = Event(), Event()

    def wait(act: Callable[..., Any]) -> Callable[..., Any]:
        def acting(*args: Any, **kwargs: Any) -> Any:
            answer = act(*args, **kwargs)
            at_work.set()
            assert go_on.wait(60)
            return answer

        return acting

    from api.v1.closets import ClosetViewSet

    monkeypatch.setattr(ClosetViewSet, "create", wait(ClosetViewSet.create))

    def first() -> Any:
        try:
            return send(client, "POST", "closets", closet(site), "k-1")
        finally:
            connections.close_all()

    with ThreadPoolExecutor(1) as pool:
        answering = pool.submit(first)
        assert at_work.wait(60)
        try:
            meanwhile = send(client, "POST", "closets", closet(site), "k-1")
            other_key = send(client, "GET", "closets", None, None)
        finally:
            go_on.set()
        made = answering.result()
    assert (meanwhile.status_code, meanwhile.json()["code"]) == (409, "in_progress")
    assert int(meanwhile["Retry-After"]) >= 1
    assert other_key.status_code == 200
    monkeypatch.undo()
    same_answer(made, send(client, "POST", "closets", closet(site), "k-1"))
    assert Closet.objects.filter(name="IDF 7").count() == 1
