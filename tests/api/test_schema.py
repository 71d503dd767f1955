"""The OpenAPI description: valid, complete, and true of what is answered."""

from __future__ import annotations

import json
from typing import Any

import jsonschema
import pytest
from django.test import Client
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.validation import validate_schema

from sites.access.abilities import Ability
from sites.models import User
from tests.api.conftest import Caller
from tests.api.permission_table import TABLE
from tests.api.test_outsider import secret_plant  # noqa: F401 - a fixture
from zones.findings.event_kinds import EventKind


@pytest.fixture
def schema(anonymous: Client) -> dict[str, Any]:
    found: dict[str, Any] = anonymous.get("/api/v1/schema").json()
    return found


def test_it_is_openapi_3_1(schema: dict[str, Any]) -> None:
    assert schema["openapi"].startswith("3.1")
    validate_schema(schema)  # against the JSON Schema that the OpenAPI Initiative publishes for 3.1
    for component in schema["components"]["schemas"].values():
        jsonschema.Draft202012Validator.check_schema(component)


def test_every_reference_leads_somewhere(schema: dict[str, Any]) -> None:
    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
            return own + [found for value in node.values() for found in references(value)]
        if isinstance(node, list):
            return [found for value in node for found in references(value)]
        return []

    found = references(schema)
    assert found
    for reference in found:
        node: Any = schema
        for step in reference.removeprefix("#/").split("/"):
            node = node[step]


def test_it_lists_every_operation(schema: dict[str, Any]) -> None:
    described = {
        (method.upper(), path)
        for path, operations in schema["paths"].items()
        for method in operations
        if method in ("get", "post", "put", "patch", "delete")
    }
    # The reference page is for people, and not part of the API
    assert described == set(TABLE) - {("GET", "/api/v1/reference")}


def test_every_operation_tells_its_problems_headers_and_ability(schema: dict[str, Any]) -> None:
    for (method, path), needed in TABLE.items():
        if path == "/api/v1/reference":
            continue
        operation = schema["paths"][path][method.lower()]
        where = f"{method} {path}"
        answers = operation["responses"]
        assert {"400", "500", "503"} <= set(answers), where
        if needed == "public":
            assert operation["security"] == [], where
            continue
        assert operation["x-ability"] == str(needed), where
        assert {"401", "403", "429"} <= set(answers), where
        assert ("404" in answers) is ("{" in path), where
        of_people = needed in (Ability.REVEAL_SECRETS, Ability.CALENDARS)
        schemes: list[Any] = [{"session": []}] if of_people else [{"bearer": []}, {"session": []}]
        assert operation["security"] == schemes, where
        good = next(answer for status, answer in answers.items() if status < "300")
        assert {"X-Request-ID", "RateLimit", "RateLimit-Policy"} <= set(good["headers"]), where
        if method in ("PATCH", "PUT", "DELETE"):
            assert {"412", "428"} <= set(answers), where
            assert any(p["name"] == "If-Match" and p["required"] for p in operation["parameters"]), where
        if "requestBody" in operation:
            assert {"409", "415", "422"} <= set(answers), where


def test_every_operation_says_in_a_line_what_it_does(schema: dict[str, Any]) -> None:
    for path, operations in schema["paths"].items():
        for method, operation in operations.items():
            summary = operation["summary"]
            assert 4 <= len(summary) <= 180, f"{method} {path}"
            assert summary[0].isupper(), f"{method} {path}"
            assert not summary.endswith("."), f"{method} {path}"


def test_no_two_operations_share_an_id(schema: dict[str, Any]) -> None:
    ids = [one["operationId"] for operations in schema["paths"].values() for one in operations.values()]
    assert len(ids) == len(set(ids))


def test_the_webhooks_are_the_kinds_of_events_with_their_headers(schema: dict[str, Any]) -> None:
    assert set(schema["webhooks"]) == set(EventKind)
    for kind, webhook in schema["webhooks"].items():
        # https://www.standardwebhooks.com, specification 1.0.0, "Webhook headers"
        headers = [one["name"] for one in webhook["post"]["parameters"]]
        assert headers == ["webhook-id", "webhook-timestamp", "webhook-signature"]
        content = webhook["post"]["requestBody"]["content"]["application/cloudevents+json"]
        name = content["schema"]["$ref"].rpartition("/")[2]
        component = schema["components"]["schemas"][name]
        assert component["properties"]["type"] == {"const": kind}
        # https://cloudevents.io, specification 1.0, "Required Attributes"
        assert {"id", "source", "specversion", "type"} <= set(component["required"])


def test_a_list_is_described_with_its_envelope_and_parameters(schema: dict[str, Any]) -> None:
    operation = schema["paths"]["/api/v1/sites"]["get"]
    names = {parameter["name"]: parameter for parameter in operation["parameters"]}
    of_every_list = {"page_size", "cursor", "count", "order", "fields", "expand"}
    assert set(names) == of_every_list | {"customer_id", "contract_id", "code", "city", "covered_on"}
    assert names["page_size"]["schema"]["maximum"] == 500
    assert names["expand"]["schema"]["items"]["enum"] == ["customer", "coverages", "open_findings"]
    assert (names["expand"]["style"], names["expand"]["explode"]) == ("form", False)
    envelope = operation["responses"]["200"]["content"]["application/json"]["schema"]
    assert envelope == {"$ref": "#/components/schemas/SiteList"}
    assert schema["components"]["schemas"]["SiteList"]["required"] == ["items", "next"]


def test_what_is_answered_is_as_described(
    schema: dict[str, Any],
    secret_plant: dict[str, int],  # noqa: F811
    reader: User,
    with_token: Caller,
) -> None:
    client = with_token(reader)
    for resource, number in secret_plant.items():
        for path, address in [
            (f"/api/v1/{resource}", f"/api/v1/{resource}?count=true"),
            (f"/api/v1/{resource}/{{id}}", f"/api/v1/{resource}/{number}"),
        ]:
            described = schema["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]
            whole = {**described["schema"], "components": schema["components"]}
            answer = client.get(address).json()
            jsonschema.Draft202012Validator(whole).validate(answer)
            for item in answer.get("items", [answer]):
                name = described["schema"]["$ref"].rpartition("/")[2].removesuffix("List")
                assert set(item) <= set(schema["components"]["schemas"][name]["properties"])


def test_problems_are_as_described(schema: dict[str, Any], anonymous: Client) -> None:
    problem = schema["components"]["schemas"]["Problem"]
    jsonschema.Draft202012Validator(problem).validate(anonymous.get("/api/v1/sites").json())
    jsonschema.Draft202012Validator(problem).validate(anonymous.get("/api/v1/schema?a=b").json())


def test_the_reference_page_is_served_from_here(anonymous: Client) -> None:
    answer = anonymous.get("/api/v1/reference")
    page = answer.content.decode()
    assert answer.status_code == 200
    assert "/static/drf_spectacular_sidecar/" in page
    assert "//cdn" not in page
    assert "https://" not in page
    script = anonymous.get("/static/drf_spectacular_sidecar/swagger-ui-dist/swagger-ui-bundle.js")
    script.close()
    assert script.status_code == 200


def test_the_schema_is_the_same_for_everyone(
    schema: dict[str, Any], manager: User, with_token: Caller
) -> None:
    assert json.dumps(with_token(manager).get("/api/v1/schema").json()) == json.dumps(schema)


def test_no_two_components_share_a_name() -> None:
    """The generator would keep the first of them, and only warn."""
    GENERATOR_STATS.reset()
    SchemaGenerator().get_schema(request=None, public=True)
    assert not GENERATOR_STATS._warn_cache
    assert not GENERATOR_STATS._error_cache
