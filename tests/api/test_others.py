"""What another customer has leaves no trace: for every operation, every role, and every way to name a thing.

The record of others is made between two rounds of the same requests: every list by every filter, in every
order, with all that it expands and counts, page after page, every thing with what is computed of it, search,
events, subscriptions. Each answer must be the same. Then every operation is asked of a thing of others, in
its address, its body and its cursor: the answer must be that to an id which never was.

With ``--long`` each caller asks all; without it each asks some of it, and of the first all together ask a
twentieth.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, Final

import pytest
from django.test import Client

from api.conventions import fields
from api.conventions.bulk_writing import BulkWriting
from api.conventions.filters import filter_names
from api.conventions.writing import Writing
from api.events.deliveries.made import fan_out
from api.events.publisher import publish
from api.events.subscriptions import subscription_add
from api.v1.power_readings import PowerReadingsWriting
from api.v1.routes import RESOURCES
from sites.access.selectors import principal_of
from sites.access.services import token_make
from sites.changes.operations import operations
from sites.changes.parameters import Parameter
from sites.models import Catalogued, ChangeSet, Customer, Instrument, Subscription, Token, User
from sites.models.changes import Change
from tests import factories
from tests.api.conftest import Caller
from tests.api.events.telling import happen
from tests.api.get_addresses import ROOT, Addresses
from tests.api.operations_served import Served, served
from tests.api.v1 import plenty
from tests.api.v1.asking import get

pytestmark = pytest.mark.usefixtures("high_ids")

NEVER: Final = 10**9
ROLES: Final = sorted(User.Role)
SHARED: Final = (Catalogued, Instrument)
"""What all customers share."""
SHARED_ROUTES: Final = re.compile(rf"{ROOT}/(catalogue/devices|catalogue/cables|instruments)\b")
WHY: Final = {"reason": "survey"}


def furnish(customer: Customer) -> User:
    """Some of everything, events and a subscription included; returns its manager."""
    owner = factories.make_user(User.Role.MANAGER, customers=[customer])
    subscription_add(principal=principal_of(owner), name="desk", url="https://desk.example.com/")
    hall = plenty.one_hall(customer)
    plenty.add(hall, 2)
    happen(hall.site, "cases/1", "cases/1", "cases/2", body={"title": hall.site.name})
    publish()
    fan_out()
    return owner


@pytest.fixture
def owner(other_customer: Customer) -> User:
    return furnish(other_customer)


@pytest.fixture
def insider(customer: Customer) -> User:
    """Of the others."""
    return furnish(customer)


Callers = Callable[[int], Iterable[tuple[str, Client]]]


@pytest.fixture
def long(pytestconfig: pytest.Config) -> bool:
    return bool(pytestconfig.getoption("--long"))


@pytest.fixture
def callers(
    owner: User, other_customer: Customer, logged_in: Caller, with_token: Caller, long: bool
) -> Callers:
    """Who asks a thing of this number: a program of the owner and a person of each role, or one of these in
    turn."""
    people = {role: logged_in(factories.make_user(role, customers=[other_customer])) for role in ROLES}
    everybody = [("program", with_token(owner)), *people.items()]
    return lambda number: everybody if long else [everybody[number % len(everybody)]]


@pytest.fixture(autouse=True)
def no_limits(settings: Any) -> None:
    settings.REQUESTS_PER_MINUTE = settings.REFUSED_PER_MINUTE = 10**9


def said(client: Client, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, str]:
    """Status and body, without what is of this request alone (the nonce of a page too), and the cursor, which
    has a time in it."""
    answer = client.generic(
        method, path, json.dumps(body) if body is not None else "", content_type="application/json",
        headers={"X-Request-ID": "same", **headers},
    )  # fmt: skip
    text = answer.content.decode()
    if answer["Content-Type"].endswith("json") and isinstance(found := json.loads(text), dict):
        left = {name: value for name, value in found.items() if name not in ("instance", "next")}
        text = json.dumps({**left, "has_next": found.get("next") is not None and "more" not in found})
    return answer.status_code, re.sub(r'"last_used_at": [^,}]*| nonce="[^"]*"', "", text)


# --- answers that others must not change --------------------------------------------------------------------


@pytest.mark.slow
def test_no_answer_changes_by_what_others_have(
    owner: User, customer: Customer, callers: Callers, with_token: Caller, long: bool
) -> None:
    program = with_token(owner)
    paths = [
        one.path
        for one in Addresses(lambda path: program.get(path).json())
        if not SHARED_ROUTES.match(one.path)
    ][:: 1 if long else 20]

    def round_of() -> Iterator[tuple[str, tuple[int, str]]]:
        for number, path in enumerate(paths):
            for who, caller in callers(number):
                yield f"{who} {path}", said(caller, "GET", path)
                yield f"{who} {path}, next page", said(caller, "GET", _second_page(caller, path))

    before = dict(round_of())
    assert sum(status == 200 for status, _ in before.values()) > len(before) * 0.7
    furnish(customer)
    changed = [asked for asked, answer in round_of() if answer != before[asked]]
    assert not changed, "\n".join(changed)


def _second_page(caller: Client, path: str) -> str:
    """Of a list, in pages of two; of anything else, the same again."""
    if "page_size" in path:
        return path
    pages = f"{path}{'&' if '?' in path else '?'}page_size=2"
    found = caller.get(pages)
    in_json = found.status_code == 200 and found["Content-Type"] == "application/json"
    after = found.json().get("next") if in_json else None
    if not after:
        return path
    return f"{pages}&{'after' if path.startswith(f'{ROOT}/events') else 'cursor'}={after}"


@pytest.mark.slow
def test_no_filter_by_a_text_of_others_finds_what_they_have(
    owner: User, insider: User, with_token: Caller
) -> None:
    client, other = with_token(owner), with_token(insider)
    tried = 0
    for name, view in RESOURCES.items():
        if issubclass(view.gate.model, SHARED):
            continue
        theirs = get(other, name, page_size=500)["items"]
        for field in filter_names(view.filterset_class):
            values = sorted({one[field] for one in theirs if isinstance(one.get(field), str) and one[field]})
            if not values or not isinstance(view.filterset_class._declared_fields[field], fields.Text):
                continue
            page = get(client, name, count="true", page_size=500, **{field: values[0]})
            ids = {one["id"] for one in page["items"]}
            assert page["count"] == len(ids), (name, field)
            assert ids.isdisjoint({one["id"] for one in theirs}), (name, field)
            tried += 1
    assert tried > 15


# --- addresses ----------------------------------------------------------------------------------------------


def ids_of(client: Client, user: User) -> dict[str, int]:
    """The id of one thing of each resource, by the path before it."""
    found = {name: int(get(client, name, page_size=500)["items"][0]["id"]) for name in RESOURCES}
    token, _ = token_make(user=user, scopes=["record:read"])
    return {
        **found,
        "customers": user.grants.get().customer_id,
        "users": user.pk,
        "tokens": token.pk,
        "subscriptions": Subscription.objects.get(owner=user).pk,
    }


def with_an_id() -> list[Served]:
    """Operations that name a thing in their address, which not all share."""
    return [
        one
        for one in served()
        if "{id}" in one.route and not SHARED_ROUTES.match(one.route) and one.resource != "calendars"
    ]


def test_every_operation_answers_for_a_thing_of_others_as_for_one_that_never_was(
    owner: User, insider: User, callers: Callers, with_token: Caller, long: bool
) -> None:
    """Calendars are of persons, and have a test of their own."""
    program = with_token(owner)
    theirs, own = ids_of(with_token(insider), insider), ids_of(program, owner)
    written = _written()
    reached = 0
    for number, one in enumerate(with_an_id()):
        for body in (None, {}, {"change": WHY}) if one.method != "GET" and long else (None,):
            for who, caller in callers(number):
                hidden, never = (
                    said(
                        caller, one.method, one.route.replace("{id}", str(which)), body, **{"If-Match": '"1"'}
                    )
                    for which in (theirs[one.resource], NEVER)
                )
                assert hidden == never, (who, one.method, one.route, body)
                # 400: a body that this operation takes of nobody
                assert hidden[0] in ((403, 404) if body is None else (400, 403, 404)), (one.route, hidden)
        if one.method == "GET":
            status, _ = said(program, "GET", one.route.replace("{id}", str(own[one.resource])))
            assert status == 200, one.route
            reached += 1
    assert reached > 50
    assert _written() == written


def _written() -> tuple[object, ...]:
    """What a write would change, of whatever kind it is."""
    tokens, subscriptions = Token.objects.order_by("pk"), Subscription.objects.order_by("pk")
    return (
        ChangeSet.objects.count(),
        Change.objects.count(),
        list(tokens.values_list("pk", "revoked_at")),
        list(subscriptions.values_list("pk", "version", "secret")),
        list(User.objects.order_by("pk").values_list("pk", "is_active", "role", "password")),
    )


# --- bodies -------------------------------------------------------------------------------------------------


def references(parameters: Mapping[str, Parameter]) -> Iterator[Parameter]:
    for one in parameters.values():
        if one.model is not None and not issubclass(one.model, SHARED):
            yield one


def bodies(own: Mapping[str, int]) -> Iterator[tuple[str, str, Mapping[str, Parameter], str]]:
    """Method, address, parameters, and where in the body they stand, of all that is written.

    What makes a thing has whole bodies in tests/api/v1/test_ids_of_others.py."""
    for one in served():
        body = None if one.view_set is None or one.action == "create" else one.view_set.bodies.get(one.action)
        path = one.route.replace("{id}", str(own.get(one.resource)))
        if isinstance(body, PowerReadingsWriting):
            yield one.method, path, body.of_all, ""
        elif isinstance(body, BulkWriting):
            yield one.method, path, body.one.parameters, "items"
        elif isinstance(body, Writing):
            yield one.method, path, body.parameters, ""


def test_no_body_takes_a_reference_to_a_thing_of_others(
    owner: User, insider: User, with_token: Caller
) -> None:
    client = with_token(owner)
    theirs, own = ids_of(with_token(insider), insider), ids_of(client, owner)
    of_model = {view.gate.model: theirs[name] for name, view in RESOURCES.items()}
    written = _written()
    tried: set[tuple[str, str]] = set()
    for method, path, parameters, within in bodies(own):
        etag = client.get(path.rpartition("/")[0] if method == "POST" else path).get("ETag", '"1"')
        for one in references(parameters):
            assert one.model is not None
            answers = []
            for which in (of_model[one.model], NEVER):
                item = {one.key: [which] if one.many else which}
                body = {within: [item], "change": WHY} if within else {**item, "change": WHY}
                status, text = said(client, method, path, body, **{"If-Match": etag})
                answers.append((status, re.sub(rf"\b{which}\b", "THAT", text)))
            assert answers[0] == answers[1], (method, path, one.key)
            assert 400 <= answers[0][0] < 500, (method, path, one.key, answers)
            tried.add((path, one.key))
    assert len(tried) > 30
    assert _written() == written


def test_no_draft_takes_a_reference_to_a_thing_of_others(
    owner: User, insider: User, with_token: Caller
) -> None:
    """Every operation by every reference, in a draft for an own site."""
    client = with_token(owner)
    theirs, own = ids_of(with_token(insider), insider), ids_of(client, owner)
    of_model = {view.gate.model: theirs[name] for name, view in RESOURCES.items()}
    written = _written()
    tried = 0
    for operation in operations():
        for one in references(operation.parameters):
            assert one.model is not None
            answers = []
            for which in (of_model[one.model], NEVER):
                item = {"operation": operation.name, one.key: [which] if one.many else which}
                body = {"site_id": own["sites"], "change": WHY, "operations": [item]}
                status, text = said(client, "POST", f"{ROOT}/change-sets", body)
                answers.append((status, re.sub(rf"\b{which}\b", "THAT", text)))
            assert answers[0] == answers[1], (operation.name, one.key)
            assert 400 <= answers[0][0] < 500, (operation.name, one.key, answers)
            tried += 1
    assert tried > 60
    assert _written() == written


# --- cursors ------------------------------------------------------------------------------------------------


def test_no_cursor_of_others_is_taken(owner: User, insider: User, with_token: Caller) -> None:
    client, other = with_token(owner), with_token(insider)
    tried = 0
    for name, view in RESOURCES.items():
        cursor = get(other, name, page_size=1)["next"]
        if cursor is None or issubclass(view.gate.model, SHARED):
            continue
        status, text = said(client, "GET", f"{ROOT}/{name}?page_size=1&cursor={cursor}")
        assert (status, json.loads(text)["errors"][0]["parameter"]) == (400, "cursor"), name
        tried += 1
    assert tried > 20


def test_a_cursor_of_the_feed_leads_nobody_to_events_of_others(
    owner: User, insider: User, with_token: Caller
) -> None:
    """It is a place among the events of all customers."""
    after = get(with_token(owner), "events?page_size=1")["next"]
    events = get(with_token(insider), f"events?after={after}")["items"]
    customer = insider.grants.get().customer
    assert len(events) == 3
    assert {event["data"]["title"] for event in events} <= {site.name for site in customer.sites.all()}
