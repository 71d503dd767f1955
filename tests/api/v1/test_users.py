"""Users over REST: a manager adds, alters, switches off and on those who see no more than they do, and nobody
grants more than they have."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from typing import Any

import pytest
from django.db import connections
from django.test import Client

from sites.models import Customer
from sites.models.access import Grant, User
from sites.services import people
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.altering_users import PASSWORD, alter, pointers, send
from tests.api.v1.asking import etag_of, get, patch, post

DOV = {"username": "dov", "name": "Dov Tarrant", "role": "dispatcher"}


# --- added and seen -----------------------------------------------------------------------------------------


def test_who_is_added_logs_in_with_the_password_that_is_set(
    customer: Customer, keeper: User, logged_in: Caller
) -> None:
    client = logged_in(keeper)
    added = post(client, "users", {**DOV, "email": "dov@LARKMOOR.example", "customer_ids": [customer.pk]})
    dov = added.json()
    assert added["Location"] == f"/api/v1/users/{dov['id']}"
    assert (dov["username"], dov["name"], dov["role"]) == ("dov", "Dov Tarrant", "dispatcher")
    assert (dov["email"], dov["customer_ids"], dov["all_customers"]) == (
        "dov@larkmoor.example",
        [customer.pk],
        False,
    )
    assert (dov["is_active"], dov["has_password"], dov["last_login_at"]) == (True, False, None)
    for empty in ("", "!"):
        assert Client().post("/log-in", {"username": "dov", "password": empty}).status_code == 200, (
            "no log-in"
        )
    set_ = post(client, f"users/{dov['id']}/password", {"password": PASSWORD}, status=200)
    assert set_.json()["has_password"] is True
    assert PASSWORD not in set_.content.decode()
    theirs = Client()
    assert theirs.post("/log-in", {"username": "dov", "password": PASSWORD}).status_code == 302
    assert [one["id"] for one in theirs.get("/api/v1/customers").json()["items"]] == [customer.pk]
    assert get(client, f"users/{dov['id']}")["last_login_at"] is not None


def test_no_answer_holds_anything_of_a_password(keeper: User, logged_in: Caller) -> None:
    client = logged_in(keeper)
    for answer in (client.get("/api/v1/users"), client.get(f"/api/v1/users/{keeper.pk}")):
        assert answer.status_code == 200
        assert keeper.password not in answer.content.decode()
        assert '"password"' not in answer.content.decode()


def test_one_sees_who_is_granted_nothing_beyond_ones_own(
    customer: Customer, manager: User, keeper: User, dispatcher: User, of_both: User, with_token: Caller
) -> None:
    seen = {item["username"] for item in get(with_token(keeper), "users")["items"]}
    assert seen == {"kit", dispatcher.username}
    everyone = {item["username"] for item in get(with_token(manager), "users")["items"]}
    assert everyone == seen | {"bea", manager.username}
    found = get(with_token(manager), "users", customer_id=customer.pk, role="technician")["items"]
    assert [item["username"] for item in found] == ["bea"]


def test_a_list_shows_each_with_what_they_are_granted(
    manager: User, customer: Customer, other_customer: Customer, with_token: Caller
) -> None:
    later_first = factories.make_user(username="ann", customers=[other_customer, customer])
    one = factories.make_user(username="bob", customers=[customer])
    shown = with_token(manager).get("/api/v1/users", {"order": "id"}).json()["items"]
    granted = {user["id"]: user["customer_ids"] for user in shown}
    assert granted[later_first.pk] == sorted([customer.pk, other_customer.pk])
    assert (granted[one.pk], granted[manager.pk]) == ([customer.pk], [])


@pytest.mark.parametrize("act", ["", "deactivate", "activate", "password", "tokens"])
def test_who_is_granted_more_is_not_there(
    customer: Customer, manager: User, keeper: User, of_both: User, logged_in: Caller, act: str
) -> None:
    client = logged_in(keeper)
    body = {"password": PASSWORD} if act == "password" else {}

    def ask(user_id: int) -> Any:
        address = f"/api/v1/users/{user_id}"
        if act == "tokens":
            return client.get(f"{address}/tokens")
        if act == "":
            return client.patch(address, {"name": "X"}, content_type="application/json")
        return client.post(f"{address}/{act}", body, content_type="application/json")

    # All customers, and one of them by name besides
    granted = factories.make_user(User.Role.MANAGER, customers=[customer], all_customers=True, username="ada")
    never = problem(ask(999999999), 404, "not_found")
    for user in (of_both, manager, granted):
        assert problem(ask(user.pk), 404, "not_found")["detail"] == never["detail"]
        user.refresh_from_db()
        assert (user.is_active, user.check_password("correct horse")) == (True, True)


def test_a_log_in_name_is_taken_with_any_capital_letters(
    customer: Customer, keeper: User, of_both: User, with_token: Caller
) -> None:
    client = with_token(keeper)
    answer = send(client, "users", {**DOV, "username": "BEA", "customer_ids": [customer.pk]})
    assert pointers(answer, 409, "conflict") == {"/username": "There is a user 'bea' already."}


@pytest.mark.django_db(transaction=True)
def test_of_two_who_add_one_name_at_once_one_does(
    customer: Customer, manager: User, with_token: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both find it free; the database lets one have it."""
    client, together = with_token(manager), Barrier(2, timeout=30)
    grants_beyond = people._grants_beyond

    def wait_and_look(*args: Any) -> Any:
        together.wait()
        return grants_beyond(*args)

    monkeypatch.setattr(people, "_grants_beyond", wait_and_look)

    def add(username: str) -> Any:
        try:
            return send(client, "users", {**DOV, "username": username, "customer_ids": [customer.pk]})
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        answers = sorted(pool.map(add, ("dov", "Dov")), key=lambda answer: answer.status_code)
    assert answers[0].status_code == 201
    assert pointers(answers[1], 409, "conflict") == {"/username": "Another user has this username."}


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({"username": "in es"}, "/username", "valid username"),
        ({"name": "\u200b"}, "/name", "a name that others read: a text of 1 to 150 characters"),
        ({"name": "x" * 151}, "/name", "at most 150 characters"),
        ({"role": "king"}, "/role", "Expected one of: manager, dispatcher, technician, reader."),
        ({"email": "nowhere"}, "/email", "valid email"),
        ({"customer_ids": []}, "/customer_ids", "Grant at least one customer"),
        ({"customer_ids": [999999999]}, "/customer_ids/0", "There is no customer 999999999."),
        ({"is_active": False}, "/is_active", "There is no 'is_active' here."),
        ({"password": PASSWORD}, "/password", "There is no 'password' here."),
    ],
)
def test_what_is_wrong_is_named_and_nobody_is_added(
    customer: Customer, keeper: User, with_token: Caller, body: dict[str, Any], pointer: str, stated: str
) -> None:
    answer = send(with_token(keeper), "users", {**DOV, "customer_ids": [customer.pk], **body})
    assert stated in pointers(answer, 400, "invalid")[pointer]
    assert not User.objects.filter(username="dov").exists()


def test_a_key_adds_somebody_once(customer: Customer, keeper: User, with_token: Caller) -> None:
    client = with_token(keeper)
    body = {**DOV, "customer_ids": [customer.pk]}
    first, again = (send(client, "users", body, **{"Idempotency-Key": "k"}) for _ in range(2))
    assert (first.status_code, again.content) == (201, first.content)
    assert again["Idempotency-Replayed"] == "true"
    assert User.objects.filter(username="dov").count() == 1


# --- nobody grants more than they have ----------------------------------------------------------------------


def test_one_grants_ones_own_customers_only(
    other_customer: Customer, keeper: User, dispatcher: User, with_token: Caller
) -> None:
    client = with_token(keeper)
    beyond = {"customer_ids": [other_customer.pk]}
    never = {"customer_ids": [999999999]}
    for refused, absent in (
        (send(client, "users", {**DOV, **beyond}), send(client, "users", {**DOV, **never})),
        (alter(client, dispatcher, beyond), alter(client, dispatcher, never)),
    ):
        (said,), (said_of_absent,) = (
            pointers(answer, 400, "invalid").values() for answer in (refused, absent)
        )
        assert said.replace(str(other_customer.pk), "N") == said_of_absent.replace("999999999", "N")
    for refused in (
        send(client, "users", {**DOV, "all_customers": True}),
        alter(client, dispatcher, {"all_customers": True}),
    ):
        said = pointers(refused, 422, "unprocessable")["/all_customers"]
        assert "You are not granted all customers" in said
    assert not Grant.objects.filter(customer=other_customer).exists()


def test_a_reader_is_never_granted_all_customers(manager: User, reader: User, with_token: Caller) -> None:
    client = with_token(manager)
    answer = send(client, "users", {**DOV, "role": "reader", "all_customers": True})
    assert "customer's own staff" in pointers(answer, 422, "unprocessable")["/all_customers"]
    answer = alter(client, reader, {"all_customers": True})
    assert "customer's own staff" in pointers(answer, 422, "unprocessable")["/all_customers"]


def test_a_token_gives_no_role_that_does_more_than_it(
    customer: Customer, keeper: User, reader: User, with_token: Caller
) -> None:
    few = with_token(keeper, ["admin", "record:read", "events:read", "findings:write"])
    assert alter(few, reader, {"role": "dispatcher"}).status_code == 200
    answer = alter(few, reader, {"role": "technician"})
    assert pointers(answer, 422, "unprocessable")["/role"] == (
        "A technician has record:write and tests:write, which this token does not: nobody gives more than "
        "they have."
    )
    answer = send(few, "users", {**DOV, "role": "manager", "customer_ids": [customer.pk]})
    assert "record:write" in pointers(answer, 422, "unprocessable")["/role"]
    assert alter(with_token(keeper), reader, {"role": "manager"}).status_code == 200


def test_a_narrowed_token_sees_and_grants_its_own_customers_only(
    customer: Customer, other_customer: Customer, manager: User, dispatcher: User, with_token: Caller
) -> None:
    client = with_token(manager, customers=[customer])
    assert [one["id"] for one in get(client, "users")["items"]] == [dispatcher.pk]
    answer = alter(client, dispatcher, {"customer_ids": [customer.pk, other_customer.pk]})
    assert list(pointers(answer, 400, "invalid")) == ["/customer_ids/1"]
    answer = alter(client, dispatcher, {"all_customers": True})
    assert list(pointers(answer, 422, "unprocessable")) == ["/all_customers"]


def test_no_token_sets_a_password(manager: User, dispatcher: User, with_token: Caller) -> None:
    answer = send(with_token(manager), f"users/{dispatcher.pk}/password", {"password": PASSWORD})
    assert "No token sets a password" in problem(answer, 403, "forbidden")["detail"]
    dispatcher.refresh_from_db()
    assert dispatcher.check_password("correct horse")


# --- altered ------------------------------------------------------------------------------------------------


def test_a_user_is_altered_in_the_version_that_was_read(
    customer: Customer, other_customer: Customer, manager: User, dispatcher: User, with_token: Caller
) -> None:
    client, address = with_token(manager), f"users/{dispatcher.pk}"
    tag = etag_of(client, address)
    body = {"name": "Dov  Tarrant", "role": "technician", "customer_ids": [other_customer.pk, customer.pk]}
    answer = patch(client, address, body, tag)
    altered = answer.json()
    assert (altered["name"], altered["role"]) == ("Dov Tarrant", "technician")
    assert altered["customer_ids"] == sorted([customer.pk, other_customer.pk])
    assert answer["ETag"] != tag
    stale = client.patch(
        f"/api/v1/{address}", {"name": "X"}, content_type="application/json", headers={"If-Match": tag}
    )
    assert problem(stale, 412, "stale_version")
    bare = client.patch(f"/api/v1/{address}", {"name": "X"}, content_type="application/json")
    assert problem(bare, 428, "precondition_required")
    assert "Nothing is to change" in pointers(alter(client, dispatcher, {}), 400, "invalid")[""]
    kept = patch(client, address, {"email": "dov@larkmoor.example"}, answer["ETag"]).json()
    assert kept == altered | {"email": "dov@larkmoor.example"}


def test_all_customers_and_some_take_each_others_place(
    customer: Customer, manager: User, dispatcher: User, with_token: Caller
) -> None:
    client = with_token(manager)
    granted = alter(client, dispatcher, {"all_customers": True}).json()
    assert (granted["all_customers"], granted["customer_ids"]) == (True, [])
    answer = alter(client, dispatcher, {"all_customers": False})
    assert "Grant at least one customer" in pointers(answer, 400, "invalid")["/customer_ids"]
    answer = alter(client, dispatcher, {"all_customers": True, "customer_ids": [customer.pk]})
    assert "grant all, or some" in pointers(answer, 400, "invalid")["/customer_ids"]
    granted = alter(client, dispatcher, {"customer_ids": [customer.pk]}).json()
    assert (granted["all_customers"], granted["customer_ids"]) == (False, [customer.pk])


def test_a_customer_that_one_made_is_not_taken_back_unread(
    keeper: User, manager: User, with_token: Caller
) -> None:
    theirs, ours = with_token(keeper), with_token(manager)
    tag = etag_of(ours, f"users/{keeper.pk}")
    made = post(theirs, "customers", {"code": "baths", "name": "City Baths", "change": {"reason": "new"}})
    answer = ours.patch(
        f"/api/v1/users/{keeper.pk}",
        {"customer_ids": [Grant.objects.filter(user=keeper).order_by("pk").first().customer_id]},  # type: ignore[union-attr]
        content_type="application/json",
        headers={"If-Match": tag},
    )
    assert problem(answer, 412, "stale_version")
    assert Grant.objects.filter(user=keeper, customer_id=made.json()["id"]).exists()


def test_a_user_granted_more_meanwhile_is_out_of_reach(
    other_customer: Customer,
    keeper: User,
    dispatcher: User,
    monkeypatch: pytest.MonkeyPatch,
    logged_in: Caller,
) -> None:
    """The grant comes after the gate has let the manager in: it is looked at once more under the lock."""
    locked = people._locked

    def grant_first(*args: Any) -> Any:
        Grant.objects.create(user=dispatcher, customer=other_customer)
        return locked(*args)

    monkeypatch.setattr(people, "_locked", grant_first)
    answer = send(logged_in(keeper), f"users/{dispatcher.pk}/password", {"password": PASSWORD})
    assert problem(answer, 404, "not_found")
    dispatcher.refresh_from_db()
    assert dispatcher.check_password("correct horse")


# --- the last one who keeps the keys ------------------------------------------------------------------------


@pytest.mark.parametrize("change", [{"role": "technician"}, {"customer_ids": "one"}, "deactivate"])
def test_the_last_manager_of_all_customers_stays(
    customer: Customer, manager: User, keeper: User, with_token: Caller, change: Any
) -> None:
    client = with_token(manager)
    idle = factories.make_user(User.Role.MANAGER, all_customers=True, is_active=False)
    cannot_log_in = User.objects.create_user("new", role=User.Role.MANAGER, all_customers=True)

    def take() -> Any:
        if change == "deactivate":
            return send(client, f"users/{manager.pk}/deactivate", {})
        return alter(client, manager, change if "role" in change else {"customer_ids": [customer.pk]})

    refused = problem(take(), 409, "conflict")
    assert "is the last active manager of all customers who can log in" in refused["detail"]
    manager.refresh_from_db()
    assert (manager.role, manager.all_customers, manager.is_active) == ("manager", True, True)
    assert not Grant.objects.filter(user=manager).exists()
    for user in (idle, cannot_log_in, keeper):
        user.refresh_from_db()
    cannot_log_in.set_password(PASSWORD)
    cannot_log_in.save()
    assert take().status_code == 200, "somebody else keeps the keys now"


@pytest.mark.django_db(transaction=True)
def test_of_two_managers_who_switch_each_other_off_at_once_one_stays(
    manager: User, logged_in: Caller, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = factories.make_user(User.Role.MANAGER, all_customers=True)
    together = Barrier(2, timeout=30)
    locked = people._locked

    def lock_together(*args: Any) -> Any:
        together.wait()
        return locked(*args)

    monkeypatch.setattr(people, "_locked", lock_together)

    def switch_off(pair: tuple[User, User]) -> int:
        by, whom = pair
        try:
            status: int = send(logged_in(by), f"users/{whom.pk}/deactivate", {}).status_code
            return status
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        assert sorted(pool.map(switch_off, [(manager, other), (other, manager)])) == [200, 409]
    assert User.objects.filter(is_active=True).count() == 1
