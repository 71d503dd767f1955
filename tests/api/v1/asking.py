"""Requests of the API whose answers are held against its own description."""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping
from typing import Any

import jsonschema
from django.test import Client

from api.conventions.schema import description

ROOT = "/api/v1"


def get(client: Client, address: str, **query: Any) -> Any:
    """The body of a GET that succeeds, as it is described."""
    answer = client.get(f"{ROOT}/{address}", query)
    assert answer.status_code == 200, answer.content
    return as_described(answer, "get")


def post(client: Client, address: str, body: Mapping[str, Any], *, status: int = 201, etag: str = "") -> Any:
    """The answer to a POST, its body as it is described."""
    headers = {"If-Match": etag} if etag else {}
    answer = client.post(f"{ROOT}/{address}", dict(body), content_type="application/json", headers=headers)
    assert answer.status_code == status, answer.content
    as_described(answer, "post")
    return answer


def patch(client: Client, address: str, body: Mapping[str, Any], etag: str, *, status: int = 200) -> Any:
    answer = client.patch(
        f"{ROOT}/{address}", dict(body), content_type="application/json", headers={"If-Match": etag}
    )
    assert answer.status_code == status, answer.content
    as_described(answer, "patch")
    return answer


def delete(client: Client, address: str, body: Mapping[str, Any], etag: str) -> Any:
    answer = client.delete(
        f"{ROOT}/{address}", dict(body), content_type="application/json", headers={"If-Match": etag}
    )
    assert answer.status_code == 204, answer.content
    return answer


def etag_of(client: Client, address: str) -> str:
    tag: str = client.get(f"{ROOT}/{address}")["ETag"]
    return tag


def as_described(answer: Any, method: str) -> Any:
    """The body, which is what the description says of this operation and status: no less and no more."""
    route = "/" + _route_of(answer)
    said = description()["paths"][route][method]["responses"][str(answer.status_code)]
    if "$ref" in said:
        said = description()["components"]["responses"][said["$ref"].rpartition("/")[2]]
    body = answer.json()
    ((_, content),) = said["content"].items()
    _validator(json.dumps(content["schema"])).validate(body)
    return body


def _route_of(answer: Any) -> str:
    route: str = answer.resolver_match.route
    return route.replace("<int:", "{").replace("<str:", "{").replace(">", "}")


@functools.cache
def _validator(schema: str) -> Any:
    whole = description()
    return jsonschema.Draft202012Validator({**json.loads(schema), "components": whole["components"]})
