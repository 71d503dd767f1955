"""Every operation of the API, granted and denied: each role, each token scope, an anonymous caller,
and an outsider."""

from __future__ import annotations

import pytest
from django.test import Client

from api.conventions.permissions import AUTHENTICATED, PUBLIC
from sites.access.abilities import ROLES, TOKEN_SCOPES, Ability
from sites.models import Customer, DeviceModel, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.operations_served import served
from tests.api.permission_table import SHARED, TABLE


def test_the_table_lists_every_operation_and_nothing_else() -> None:
    there = {(one.method, one.route) for one in served()}
    assert len(there) > 10
    assert there - set(TABLE) == set(), "operations that tests/api/permission_table.py does not list"
    assert set(TABLE) - there == set(), "operations that are listed and not there"


OF_PEOPLE = {Ability.REVEAL_SECRETS, Ability.CALENDARS}
"""A code is shown to people only, and the address of a calendar would outlive the token that made it."""


def ask(client: Client, method: str, route: str) -> int:
    """The status of a request that gets no further than permissions: nothing that is named exists, and a
    write has no body."""
    address = route.replace("{id}", "9999999999").replace("{code}", "not_found")
    return client.generic(method, address, b"", content_type="application/json").status_code


def may(needed: Ability | str, abilities: frozenset[Ability]) -> bool:
    return needed in (PUBLIC, AUTHENTICATED) or needed in abilities


@pytest.fixture(params=sorted(User.Role), ids=str)
def person(request: pytest.FixtureRequest, customer: Customer) -> User:
    return factories.make_user(request.param, customers=[customer])


def test_each_role_by_session(person: User, logged_in: Caller) -> None:
    client = logged_in(person)
    for (method, route), needed in TABLE.items():
        status = ask(client, method, route)
        allowed = may(needed, ROLES[person.role]) and (method, route) not in SHARED
        assert (status == 403) is not allowed, (method, route, status)
        assert status not in (401, 500), (method, route)


@pytest.mark.parametrize("scope", TOKEN_SCOPES)
def test_each_scope_by_token(scope: Ability, manager: User, with_token: Caller) -> None:
    client = with_token(manager, [scope.value])
    for (method, route), needed in TABLE.items():
        status = ask(client, method, route)
        assert (status == 403) is not may(needed, frozenset({scope})), (method, route, status)
        assert status not in (401, 500), (method, route)


def test_a_token_of_one_customer_edits_nothing_that_all_share(
    manager: User, customer: Customer, with_token: Caller
) -> None:
    model = factories.make_model(DeviceModel.Kind.HORN)
    for client, allowed in ((with_token(manager), True), (with_token(manager, customers=[customer]), False)):
        address = f"/api/v1/catalogue/devices/{model.pk}"
        body = {"minimum_voltage_v": 17.5 if allowed else 1.5, "change": {"reason": "data sheet"}}
        headers = {"If-Match": client.get(address)["ETag"]}
        answer = client.patch(address, body, content_type="application/json", headers=headers)
        assert answer.status_code == (200 if allowed else 403)
        if not allowed:
            assert "All customers share this" in answer.json()["detail"]
    model.refresh_from_db()
    assert model.minimum_voltage_v == 17.5


def test_an_anonymous_caller_reaches_only_what_is_public(anonymous: Client) -> None:
    for (method, route), needed in TABLE.items():
        assert (ask(anonymous, method, route) == 401) is (needed != PUBLIC), (method, route)


def test_every_scope_that_is_offered_is_one_that_something_answers() -> None:
    answered = {needed for needed in TABLE.values() if isinstance(needed, Ability)}
    assert set(TOKEN_SCOPES) == answered - OF_PEOPLE
    assert answered == set(Ability)


def test_public_is_only_what_says_the_same_to_everyone() -> None:
    assert {route for (_, route), needed in TABLE.items() if needed == PUBLIC} == {
        "/api/v1/schema",
        "/api/v1/reference",
        "/api/v1/problems",
        "/api/v1/problems/{code}",
    }
