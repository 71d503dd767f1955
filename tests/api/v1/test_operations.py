"""The operations that a draft can hold, as a program learns them; none of them lays open a secret."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from django.test import Client

from api.v1.routes import RESOURCES
from sites.models import Change, Factor, Secret
from sites.models.access import User
from sites.services.secrets import secret_add
from tests.api.conftest import Caller
from tests.api.v1.asking import get, post
from tests.halls import Hall
from zones.asbuilt.formats import ALL


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


@pytest.fixture
def operations(client: Client) -> dict[str, dict[str, Any]]:
    return {one["name"]: one for one in get(client, "operations")["items"]}


def test_each_says_what_it_means_and_takes(operations: dict[str, dict[str, Any]]) -> None:
    assert list(operations) == sorted(operations)
    assert len(operations) > 40
    for one in operations.values():
        jsonschema.Draft202012Validator.check_schema(one["schema"])
        assert one["sentence"].endswith(".")
        assert one["schema"]["properties"]["op"] == {"const": one["name"]}
    assert operations["point.append"]["use"] == "work"
    assert operations["point.correct"]["use"] == "correction"
    assert operations["zone.alter"]["use"] == "any"


def test_what_no_draft_of_a_site_can_hold_is_left_out(operations: dict[str, dict[str, Any]]) -> None:
    assert not {"site.add", "customer.add", "contract.alter", "device_model.add", "factor.set"} & set(
        operations
    )


def test_no_channel_changes_a_factor(operations: dict[str, dict[str, Any]]) -> None:
    """Limits say "(0.8)" and "3 dB" in words."""
    assert not [name for name in operations if "factor" in name]
    assert Factor not in {resource.gate.model for resource in RESOURCES.values()}
    assert Factor not in {kind.model for kind in ALL}


def test_what_a_schema_allows_is_taken_and_what_it_forbids_is_not(
    hall: Hall, client: Client, operations: dict[str, dict[str, Any]]
) -> None:
    def fits(body: dict[str, Any]) -> bool:
        return bool(jsonschema.Draft202012Validator(operations[body["op"]]["schema"]).is_valid(body))

    def status(body: dict[str, Any]) -> int:
        draft = {"site_id": hall.site.pk, "reason": "why", "operations": [body]}
        return client.post("/api/v1/change-sets", draft, content_type="application/json").status_code

    good: list[dict[str, Any]] = [
        {
            "op": "point.append",
            "label": "new",
            "run_id": hall.run.pk,
            "after_id": None,
            "model_id": hall.speaker.pk,
        },
        {"op": "zone.alter", "zone_id": hall.zone.pk, "note": "seen"},
    ]
    bad: list[dict[str, Any]] = [
        {"op": "point.append", "after_id": None},
        {"op": "point.append", "run_id": "R1"},
        {"op": "zone.alter", "zone_id": hall.zone.pk, "noet": "seen"},
        {"op": "zone.alter", "zone_id": hall.zone.pk, "note": 3},
    ]
    for body in good:
        assert (fits(body), status(body)) == (True, 201), body
    for body in bad:
        assert (fits(body), status(body)) == (False, 400), body


def test_a_label_names_what_an_earlier_operation_makes(hall: Hall, client: Client) -> None:
    bodies = [
        {"op": "zone.add", "label": "lane", "name": "Marshalling lane"},
        {"op": "run.add", "label": "r", "block_id": hall.block.pk, "name": "R9", "kind": "self_amplified",
         "zone_id": "@lane"},
        {"op": "point.append", "run_id": "@r", "model_id": hall.speaker.pk},
    ]  # fmt: skip
    draft = post(client, "change-sets", {"site_id": hall.site.pk, "reason": "new lane", "operations": bodies})
    accepted = post(
        client, f"change-sets/{draft.json()['id']}/accept", {}, status=200, etag=draft["ETag"]
    ).json()
    assert [(one["op"], one["label"], one["kind"]) for one in accepted["results"]] == [
        ("zone.add", "lane", "zone"),
        ("run.add", "r", "run"),
        ("point.append", "", "point"),
    ]
    zone, run, point = (one["ids"][0] for one in accepted["results"])
    assert get(client, f"runs/{run}")["zone_id"] == zone
    assert get(client, f"points/{point}")["run_id"] == run


def test_a_door_code_is_in_no_operation_and_no_change(
    hall: Hall, client: Client, manager: User, operations: dict[str, dict[str, Any]]
) -> None:
    secret_add(
        user=manager, site=hall.site, label="closet door", code="4711#", kind=Secret.Kind.DOOR,
        closet=hall.closet,
    )  # fmt: skip
    assert not [name for name in operations if "secret" in name]
    assert not Change.objects.filter(table_name__startswith="secret").exists()
    changes = get(client, "changes", site_id=hall.site.pk, page_size=500)["items"]
    said = [client.get(f"/api/v1/changes/{change['id']}").content for change in changes]
    assert said
    assert not [one for one in said if b"4711#" in one or b"ciphertext" in one]
