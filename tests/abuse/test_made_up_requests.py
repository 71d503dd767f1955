"""Every operation of the API with what no one means: one wrong value at a time in a right request, whole
wrong bodies, wrong queries, wrong headers.

No answer is a server error, every refusal is a problem of a few kilobytes, and afterwards all that is there
still answers. One request in 50, in CI one in 10, all of them with ``--long``; a slow machine needs ``-o
faulthandler_timeout=3600`` for that.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any, NamedTuple

import pytest
from django.test import Client

from api.conventions.problems import CONTENT_TYPE
from api.conventions.schema import description
from api.v1.routes import RESOURCES
from sites.models import Customer, User
from tests.abuse.poison import BODIES, TEXTS, poisoned
from tests.api.conftest import Caller, with_token
from tests.api.v1 import plenty
from tests.conftest import IN_CI

__all__ = ["with_token"]  # a fixture

pytestmark = [pytest.mark.slow, pytest.mark.django_db]

MOST_BYTES_OF_A_REFUSAL = 64 * 1024
HEADERS = [
    "Accept", "Accept-Encoding", "Accept-Language", "Authorization", "Content-Type", "Cookie", "Host",
    "If-Match", "If-None-Match", "Idempotency-Key", "Origin", "Range", "X-Forwarded-For",
    "X-HTTP-Method-Override", "X-Request-ID",
]  # fmt: skip
SAME_HEADERS_AS_ALL = "/api/v1/zones"
"""Headers are read before any view: one resource stands for all."""
METHODS = ["get", "post", "patch", "delete"]
# What a field of a body refers to, where its name is not that of the resource
RESOURCE_OF = {
    "after_id": "points", "before_id": "points", "parent_id": "points", "feed_supply_id": "supplies",
    "model_id": "catalogue/devices", "cable_type_id": "catalogue/cables", "port_id": "switch-ports",
}  # fmt: skip


class Asked(NamedTuple):
    """A request. body: bytes as they are; anything else as JSON."""

    method: str
    address: str
    query: dict[str, str]
    body: Any
    headers: dict[str, str]

    def short(self) -> str:
        return f"{self.method} {self.address} {repr((self.query, self.body, self.headers))[:300]}"


class Record:
    """What the requests are about: the first thing of every resource."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.first: dict[str, dict[str, Any]] = {}
        for name in RESOURCES:
            items = client.get(f"/api/v1/{name}", {"page_size": "1"}).json()["items"]
            self.first[name] = items[0] if items else {"id": 1}

    def address(self, path: str) -> str:
        before, placed, after = path.partition("/{")
        if not placed:
            return path
        name = before.removeprefix("/api/v1/")
        return f"{before}/{self.first.get(name, {'id': 'invalid'})['id']}{after[after.index('}') + 1 :]}"

    def body(self, example: Any) -> Any:
        """An example of the description, with ids of what is there."""
        if isinstance(example, list):
            return [self.body(value) for value in example]
        if not isinstance(example, dict):
            return example
        return {name: self._reference(name, self.body(value)) for name, value in example.items()}

    def _reference(self, name: str, value: Any) -> Any:
        several = name.endswith("_ids")
        if not several and not name.endswith("_id"):
            return value
        stem = name.removesuffix("s").removesuffix("_id").replace("_", "-")
        resource = RESOURCE_OF.get(name, f"{stem}es" if stem.endswith("ch") else f"{stem}s")
        if resource not in self.first:
            return value
        return [self.first[resource]["id"]] if several else self.first[resource]["id"]

    def etag(self, address: str) -> dict[str, str]:
        """What a write of a thing sends along; actions of a thing are its writes too."""
        parts = address.split("/")
        for end in (len(parts), len(parts) - 1):
            answer = self.client.get("/".join(parts[:end]))
            if "ETag" in answer:
                return {"If-Match": answer["ETag"]}
        return {}


def asked_of(record: Record, path: str, method: str, operation: dict[str, Any]) -> Iterator[Asked]:
    address = record.address(path)
    example = (
        operation.get("requestBody", {}).get("content", {}).get("application/json", {}).get("example", {})
    )
    body, right = record.body(example), record.etag(address) if method != "get" else {}
    yield Asked(method, address, {}, body, right)
    for parameter in operation.get("parameters", ()):
        if parameter.get("in") == "query":
            for text in TEXTS:
                yield Asked(method, address, {parameter["name"]: text[:8_000]}, body, right)
    for name in HEADERS if path.startswith(SAME_HEADERS_AS_ALL) else ():
        for text in TEXTS:
            plain = "".join(letter for letter in text[:8_000] if 32 <= ord(letter) < 256)
            yield Asked(method, address, {}, body, {**right, name: plain})
    for text in TEXTS:
        wrong = "".join(letter for letter in text[:200] if letter.isalnum() or letter in "-.~")
        if path != address and wrong:
            yield Asked(method, path.replace("{id}", wrong).replace("{code}", wrong), {}, body, right)
    if method != "get":
        for whole in BODIES:
            yield Asked(method, address, {}, whole, right)
        for wrong_body in poisoned(body):
            yield Asked(method, address, {}, wrong_body, right)


def send(client: Client, asked: Asked) -> Any:
    data = asked.body if isinstance(asked.body, bytes) else json.dumps(asked.body)
    given = {} if asked.method == "get" else {"data": data, "content_type": "application/json"}
    return getattr(client, asked.method)(
        asked.address, query_params=asked.query, headers=asked.headers, **given
    )


@pytest.mark.parametrize("method", METHODS)
def test_no_request_is_a_server_error_and_every_refusal_is_short(
    method: str,
    customer: Customer,
    manager: User,
    with_token: Caller,
    settings: Any,
    pytestconfig: pytest.Config,
) -> None:
    settings.REQUESTS_PER_MINUTE = 10**9
    every = 1 if pytestconfig.getoption("--long") else 10 if IN_CI else 50
    plenty.add(plenty.one_hall(customer), 2)
    record = Record(with_token(manager))
    answers: Counter[int] = Counter()
    amiss: list[str] = []
    number = 0
    for path, operations in description()["paths"].items():
        for asked in asked_of(record, path, method, operations[method]) if method in operations else ():
            number += 1
            if number % every:
                continue
            answer = send(record.client, asked)
            if answer.status_code == 412 and "If-Match" in asked.headers:  # an earlier one was taken
                answer = send(record.client, asked._replace(headers=record.etag(asked.address)))
            answers[answer.status_code] += 1
            if answer.status_code >= 500:
                amiss.append(f"{answer.status_code}: {asked.short()}")
            elif answer.status_code >= 400:
                if len(answer.content) > MOST_BYTES_OF_A_REFUSAL:
                    amiss.append(f"{len(answer.content)} bytes: {asked.short()}")
                if answer["Content-Type"] != CONTENT_TYPE:
                    amiss.append(f"{answer['Content-Type']}: {asked.short()}")
    print(f"{method}: {number // every} requests, {dict(answers)}")
    assert amiss == []
    assert answers[400] > 0
    all_that_is_there_answers(record.client)


def all_that_is_there_answers(client: Client) -> None:
    """Accepted requests break no answer: every list, and what is computed of every site, zone and closet."""
    for name in RESOURCES:
        answer = client.get(f"/api/v1/{name}", {"page_size": "500"})
        assert answer.status_code == 200, (name, answer.content)
    for computed in ("sites/{}/survey", "closets/{}/sheet", "zones/{}/load", "zones/{}/history"):
        for item in client.get(f"/api/v1/{computed.partition('/')[0]}", {"page_size": "500"}).json()["items"]:
            answer = client.get("/api/v1/" + computed.format(item["id"]))
            assert answer.status_code == 200, (computed, item["id"], answer.content)
