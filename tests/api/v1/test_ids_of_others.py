"""The id of another customer's thing is as unknown as one that was never given: in every filter by an id, and
in every body of what is made. A new filter, or a new id of a body, is held to it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from django.db import transaction
from django.test import Client

from api.conventions import fields
from api.conventions.filters import filter_names
from api.conventions.writing import Writing
from api.v1.routes import RESOURCES
from sites.models import Catalogued, ChangeSet, Customer, Instrument, User
from sites.models.changes import Change
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1 import plenty
from tests.api.v1.asking import ROOT, get
from tests.api.v1.test_bulk import WHY, two_of_each
from tests.halls import Hall

pytestmark = pytest.mark.usefixtures("high_ids")

NEVER = 10**9
# What the ids of a filter are of, where its name does not say it
OF = {
    "accepted_by_id": "users",
    "cable_type_id": "catalogue/cables",
    "feed_supply_id": "supplies",
    "model_id": "catalogue/devices",
    "port_id": "switch-ports",
    "supply_id": "supplies",
    "switch_id": "switches",
}
SHARED = (Catalogued, Instrument)
"""What all customers see: these ids are nobody's."""


@pytest.fixture
def insider(customer: Customer, with_token: Caller) -> Client:
    return with_token(factories.make_user(User.Role.MANAGER, customers=[customer]))


@pytest.fixture
def theirs(customer: Customer) -> Hall:
    hall = plenty.one_hall(customer)
    plenty.add(hall, 1)
    return hall


@pytest.fixture
def own(other_customer: Customer) -> Hall:
    """The outsider's own, so that a filter has something to let through."""
    hall = plenty.one_hall(other_customer)
    plenty.add(hall, 1)
    return hall


def id_filters() -> Iterator[tuple[str, str]]:
    for resource, view in RESOURCES.items():
        filters = view.filterset_class
        for name in filter_names(filters):
            if isinstance(filters._declared_fields[name], fields.Id):
                yield resource, name


def test_no_filter_finds_anything_by_an_id_of_others(
    theirs: Hall, own: Hall, insider: Client, outsider: User, with_token: Caller
) -> None:
    client = with_token(outsider)
    items = {resource: get(insider, resource, page_size=500)["items"] for resource in RESOURCES}
    for resource, name in id_filters():
        thing = OF.get(name, f"{name.removesuffix('_id').replace('_', '-')}s")
        named = {item[name] for item in items[resource] if item.get(name) is not None}
        ids = named or {item["id"] for item in items[thing]}
        assert ids, (resource, name)
        page = get(client, resource, count="true", **{name: min(ids)})
        assert (page["items"], page["count"]) == ([], 0), (resource, name)
        assert not named or get(insider, resource, **{name: min(named)})["items"], (resource, name)


def test_no_body_takes_an_id_of_others(
    theirs: Hall, own: Hall, insider: Client, outsider: User, with_token: Caller
) -> None:
    client = with_token(outsider)
    hidden = {view.gate.model: get(insider, name)["items"][0]["id"] for name, view in RESOURCES.items()}
    site = {"customer_id": own.site.customer_id, "code": "quay-9", "name": "Quay 9"}
    bodies = {**two_of_each(own), "sites": [{**site, "time_zone": "Europe/Oslo"}]}
    tried = 0
    for resource, view in RESOURCES.items():
        writing = view.bodies.get("create")
        if not isinstance(writing, Writing):
            continue
        named = [
            one
            for one in writing.parameters.values()
            if one.model is not None and not issubclass(one.model, SHARED)
        ]
        if not named:
            continue
        body = {name: value for name, value in bodies[resource][0].items() if name != "label"}
        with transaction.atomic():
            assert answer_to(client, resource, body)[0] == 201, (resource, body)
            transaction.set_rollback(True)
        written = ChangeSet.objects.count(), Change.objects.count()
        for parameter in named:
            assert parameter.model is not None
            of_others, of_nothing = (
                answer_to(client, resource, {**body, parameter.key: [one] if parameter.many else one}, one)
                for one in (hidden[parameter.model], NEVER)
            )
            assert of_others[0] in (400, 409), (resource, parameter.key, of_others)
            assert of_others == of_nothing, (resource, parameter.key)
            assert (ChangeSet.objects.count(), Change.objects.count()) == written, (resource, parameter.key)
            tried += 1
    assert tried > 20


def answer_to(client: Client, resource: str, body: dict[str, Any], one: int = NEVER) -> tuple[int, str]:
    """Status and problem, with the id that was sent taken out of its sentences."""
    answer = client.post(f"{ROOT}/{resource}", {**body, "change": WHY}, content_type="application/json")
    said = {name: value for name, value in answer.json().items() if name not in ("request_id", "instance")}
    return answer.status_code, json.dumps(said).replace(f" {one}", " THAT")
