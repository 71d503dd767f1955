"""Tests and paging sets over REST: what was measured stays, and what pages together is replaced."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models.access import Token, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, post
from tests.halls import Hall
from zones.models import PagingSet, Test

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)
WHY = {"reason": "yearly test", "happened_on": LATER.isoformat()}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def refused(client: Client, address: str, body: dict[str, Any]) -> Any:
    return client.post(f"/api/v1/{address}", {**body, "change": WHY}, content_type="application/json")


def read(client: Client, hall: Hall, **said: Any) -> dict[str, Any]:
    body = {
        "kind": "run_current",
        "state": "paging",
        "value": 1.2,
        "taken_on": LATER.isoformat(),
        "run_id": hall.run.pk,
        **said,
    }
    made: dict[str, Any] = post(client, "tests", {**body, "change": WHY}).json()
    return made


# --- tests --------------------------------------------------------------------------------------------------


def test_a_reading_is_recorded_and_found(hall: Hall, client: Client) -> None:
    made = read(client, hall, technician="Rune", instrument="clamp 4", source_voltage_v=24.1,
                instrument_error=0.02, temperature_c=-18.0)  # fmt: skip
    assert (made["value"], made["run_id"], made["superseded_by_id"]) == (1.2, hall.run.pk, None)
    assert (made["instrument_error"], made["temperature_c"]) == (0.02, -18.0)
    point = hall.points[-1]
    at_end = read(client, hall, kind="end_voltage", value=21.5, run_id=None, point_id=point.pk)
    assert (at_end["run_id"], at_end["point_id"]) == (hall.run.pk, point.pk)
    power = read(client, hall, kind="poe_power", value=40.0, run_id=None, switch_id=hall.switch.pk)

    def found(**query: Any) -> set[int]:
        return {item["id"] for item in get(client, "tests", **query)["items"]}

    assert found(run_id=hall.run.pk) == {made["id"], at_end["id"]}
    assert found(switch_id=hall.switch.pk) == {power["id"]}
    assert found(kind="end_voltage", state="paging", site_id=hall.site.pk) == {at_end["id"]}
    assert found(taken_from=LATER.isoformat(), taken_until=LATER.isoformat()) == {
        made["id"],
        at_end["id"],
        power["id"],
    }
    assert found(taken_until=BUILT.isoformat()) == set()
    expanded = get(client, f"tests/{at_end['id']}", expand="run,point,switch,site")
    assert (expanded["run"]["name"], expanded["point"]["name"], expanded["switch"]) == ("R1", "30", None)


def test_a_reading_that_was_written_down_wrongly_stays(hall: Hall, client: Client) -> None:
    first = read(client, hall, technician="Rune")
    answer = post(client, f"tests/{first['id']}/supersede", {"value": 2.1, "change": WHY})
    second = answer.json()
    assert answer["Location"] == f"/api/v1/tests/{second['id']}"
    assert (second["value"], second["technician"], second["supersedes_id"]) == (2.1, "Rune", first["id"])
    assert get(client, f"tests/{first['id']}")["superseded_by_id"] == second["id"]
    assert [item["id"] for item in get(client, "tests")["items"]] == [second["id"]]
    assert len(get(client, "tests", superseded="any")["items"]) == 2
    again = refused(client, f"tests/{first['id']}/supersede", {"value": 3.0})
    assert again.status_code == 422, again.content
    assert "superseded already" in again.json()["detail"]
    assert client.patch(f"/api/v1/tests/{first['id']}").status_code == 405
    assert client.delete(f"/api/v1/tests/{first['id']}").status_code == 405


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({"run_id": None}, "", "Say what it belongs to: one of point_id, run_id, switch_id and zone_id"),
        ({"kind": "end_voltage"}, "/point_id", "names its point"),
        ({"value": "1.2"}, "/value", "expected a number"),
        ({"unit": "mA"}, "/unit", "is in A, not in mA"),
        ({"kind": "curent"}, "/kind", "expected one of"),
        ({"taken_on": "2199-01-01"}, "/taken_on", "after the day of this change"),
    ],
)
def test_a_bad_reading_is_named(
    hall: Hall, client: Client, body: dict[str, Any], pointer: str, stated: str
) -> None:
    whole = {
        "kind": "run_current", "state": "idle", "value": 1.0, "taken_on": LATER.isoformat(),
        "run_id": hall.run.pk, **body,
    }  # fmt: skip
    answer = refused(client, "tests", whole)
    assert answer.status_code == 400, answer.content
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert not Test.objects.exists()


def test_a_point_of_another_run_is_named(hall: Hall, client: Client) -> None:
    answer = refused(
        client, "tests",
        {
            "kind": "end_voltage", "state": "idle", "value": 21.0, "taken_on": LATER.isoformat(),
            "run_id": hall.gangway_run.pk, "point_id": hall.points[0].pk,
        },
    )  # fmt: skip
    (error,) = answer.json()["errors"]
    assert (answer.status_code, error["pointer"]) == (422, "/point_id")
    assert "belongs to another run" in error["detail"]
    assert not Test.objects.exists()


def test_a_program_with_the_scope_records_tests_and_nothing_else(
    hall: Hall, technician: User, with_token: Caller
) -> None:
    client = with_token(technician, ["record:read", "tests:write"])
    read(client, hall)
    body = {"name": "all", "zone_ids": [hall.zone.pk]}
    assert refused(client, "paging-sets", body).status_code == 403


def test_a_token_of_a_release_before_still_records_tests(
    hall: Hall, technician: User, with_token: Caller
) -> None:
    client = with_token(technician, ["record:read"])
    body = {"kind": "shorts", "passed": True, "taken_on": LATER.isoformat(), "run_id": hall.run.pk}
    assert refused(client, "tests", body).status_code == 403
    Token.objects.update(scopes=["record:read", "readings:write"])
    assert refused(client, "tests", body).status_code == 201
    assert get(client, "tokens")["items"][0]["scopes"] == ["record:read", "tests:write"]


# --- paging sets --------------------------------------------------------------------------------------------


def test_zones_that_page_together_are_replaced_and_what_was_stays(hall: Hall, client: Client) -> None:
    body = {"name": "halls", "zone_ids": [hall.zone.pk, hall.gangway.pk], "change": WHY}
    made = post(client, "paging-sets", body)
    first = made.json()
    assert first["zone_ids"] == sorted([hall.zone.pk, hall.gangway.pk])
    assert first["site_id"] == hall.site.pk
    assert [item["id"] for item in get(client, "paging-sets", zone_id=hall.zone.pk)["items"]] == [first["id"]]
    later = {"reason": "regrouped", "happened_on": (LATER + dt.timedelta(days=1)).isoformat()}
    answer = post(
        client,
        f"paging-sets/{first['id']}/replace",
        {"zone_ids": [hall.gangway.pk], "change": later},
        etag=made["ETag"],
    )
    second = answer.json()
    assert answer["Location"] == f"/api/v1/paging-sets/{second['id']}"
    assert (second["name"], second["zone_ids"]) == ("halls", [hall.gangway.pk])
    assert get(client, f"paging-sets/{first['id']}")["ended_on"] == later["happened_on"]
    was = get(client, "paging-sets", as_of=LATER.isoformat())["items"]
    assert [item["id"] for item in was] == [first["id"]]
    address = f"paging-sets/{second['id']}"
    delete(client, address, {"change": later}, etag_of(client, address))
    assert get(client, "paging-sets")["items"] == []


def test_a_paging_set_is_of_one_site_and_not_empty(hall: Hall, client: Client) -> None:
    elsewhere = factories.make_zone()
    answer = refused(client, "paging-sets", {"name": "all", "zone_ids": [hall.zone.pk, elsewhere.pk]})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["pointer"] == "/zone_ids/1"
    answer = refused(client, "paging-sets", {"name": "all", "zone_ids": []})
    assert answer.status_code == 400
    assert not PagingSet.objects.exists()
