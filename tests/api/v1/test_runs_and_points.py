"""Runs and points over REST: as they are, as they were on a day, and written through their operations."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models import DeviceModel
from sites.models.access import User
from sites.models.changes import ChangeSet
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, patch, post
from tests.halls import Hall
from zones.models import Point, PointFacts
from zones.services.points import point_alter, point_append
from zones.services.runs import run_alter

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)
WHY = {"reason": "as agreed", "happened_on": LATER.isoformat(), "job_reference": "LS-9"}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def refused(client: Client, method: str, address: str, body: dict[str, Any], etag: str | None = None) -> Any:
    headers = {} if etag is None else {"If-Match": etag}
    return getattr(client, method)(
        f"/api/v1/{address}", body, content_type="application/json", headers=headers
    )


# --- runs ---------------------------------------------------------------------------------------------------


def test_a_run_is_shown_with_what_feeds_it(hall: Hall, client: Client) -> None:
    run = get(client, f"runs/{hall.run.pk}", expand="zone,site")
    assert (run["zone_id"], run["supply_id"], run["output_id"], run["amplifier_id"]) == (
        hall.zone.pk,
        hall.supply.pk,
        hall.output.pk,
        None,
    )
    assert (run["kind"], run["fuse_fitted"], run["unchanged_since"]) == (
        "self_amplified",
        None,
        BUILT.isoformat(),
    )
    assert (run["zone"]["name"], run["site"]["id"]) == ("Ticket hall", hall.site.pk)


def test_a_run_is_shown_with_the_device_whose_output_feeds_it(hall: Hall, client: Client) -> None:
    address = f"runs/{hall.run.pk}"
    shown = get(client, address, expand="endpoint,output")
    assert (shown["endpoint"]["name"], shown["output"]["id"]) == (hall.gateway.name, hall.output.pk)
    assert [
        one["endpoint"]["id"] for one in get(client, "runs", zone_id=hall.zone.pk, expand="endpoint")["items"]
    ] == [hall.gateway.pk]
    run_alter(factories.change(hall.site, happened_on=LATER), run=hall.run, output=None)
    assert get(client, address, expand="endpoint")["endpoint"] is None
    before = get(client, address, expand="endpoint", as_of=BUILT.isoformat())["endpoint"]
    assert before["id"] == hall.gateway.pk


def test_a_run_is_shown_as_it_was_on_a_day(hall: Hall, client: Client) -> None:
    run_alter(factories.change(hall.site, happened_on=LATER), run=hall.run, zone=hall.gangway)
    address = f"runs/{hall.run.pk}"
    assert get(client, address)["zone_id"] == hall.gangway.pk
    assert get(client, address)["unchanged_since"] == LATER.isoformat()
    assert get(client, address, as_of=BUILT.isoformat())["zone_id"] == hall.zone.pk
    day_before = LATER - dt.timedelta(days=1)
    assert get(client, address, as_of=day_before.isoformat())["zone_id"] == hall.zone.pk
    assert get(client, address, as_of=LATER.isoformat())["zone_id"] == hall.gangway.pk


def test_runs_are_found_by_what_they_were_on_a_day(hall: Hall, client: Client) -> None:
    run_alter(factories.change(hall.site, happened_on=LATER), run=hall.run, zone=hall.gangway)

    def found(**query: Any) -> list[str]:
        return [item["name"] for item in get(client, "runs", **query)["items"]]

    assert found(zone_id=hall.gangway.pk) == ["R1", "R2"]
    assert found(zone_id=hall.zone.pk) == []
    assert found(zone_id=hall.zone.pk, as_of=BUILT.isoformat()) == ["R1"]
    assert found(supply_id=hall.supply.pk, closet_id=hall.closet.pk) == ["R1", "R2"]
    assert found(supply_id=hall.supply.pk, name="r2", kind="self_amplified") == ["R2"]
    assert found(kind="constant_voltage") == []
    assert found(site_id=hall.site.pk, as_of=(BUILT - dt.timedelta(days=1)).isoformat()) == []


def test_a_run_is_pulled_patched_and_taken_out(hall: Hall, client: Client) -> None:
    made = post(
        client,
        "runs",
        {
            "block_id": hall.block.pk,
            "name": "R9",
            "kind": "self_amplified",
            "zone_id": hall.zone.pk,
            "change": WHY,
        },
    )
    run = made.json()
    assert made["Location"] == f"/api/v1/runs/{run['id']}"
    assert (run["site_id"], run["zone_id"], run["began_on"]) == (
        hall.site.pk,
        hall.zone.pk,
        LATER.isoformat(),
    )
    address = f"runs/{run['id']}"
    patched = patch(
        client, address, {"supply_id": hall.supply.pk, "note": "spare", "change": WHY}, made["ETag"]
    )
    assert (patched.json()["supply_id"], patched.json()["note"]) == (hall.supply.pk, "spare")
    delete(client, address, {"change": WHY}, patched["ETag"])
    assert get(client, address)["ended_on"] == LATER.isoformat()


def test_what_is_planned_is_not_there_until_its_day(hall: Hall, client: Client) -> None:
    day = (dt.datetime.now(dt.UTC).date() + dt.timedelta(days=40)).isoformat()
    body = {"block_id": hall.block.pk, "name": "R9", "kind": "self_amplified", "zone_id": hall.zone.pk}
    change = {"reason": "agreed for next month", "happened_on": day}
    answer = refused(client, "post", "runs", {**body, "change": change})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/change/happened_on"
    assert "planned" in answer.json()["detail"]

    made = post(client, "runs", {**body, "change": {**change, "planned": True}}).json()
    assert (made["zone_id"], made["began_on"]) == (hall.zone.pk, day)
    assert get(client, f"runs/{made['id']}", as_of=day)["zone_id"] == hall.zone.pk
    yet = client.get(f"/api/v1/runs/{made['id']}")
    assert yet.status_code == 404
    assert f"it begins on {day}" in yet.json()["detail"]
    assert made["id"] not in [item["id"] for item in get(client, "runs", site_id=hall.site.pk)["items"]]
    assert made["id"] in [
        item["id"] for item in get(client, "runs", site_id=hall.site.pk, as_of=day)["items"]
    ]


def test_a_planned_point_is_not_there_until_its_day(hall: Hall, client: Client) -> None:
    day = (dt.datetime.now(dt.UTC).date() + dt.timedelta(days=40)).isoformat()
    change = {"reason": "agreed for next month", "happened_on": day, "planned": True}
    body = {"run_id": hall.run.pk, "after_id": hall.points[-1].pk, "name": "P9", "kind": "device"}
    made = post(client, "points", {**body, "device_kind": "horn", "change": change}).json()
    assert get(client, f"points/{made['id']}", as_of=day)["name"] == "P9"
    yet = client.get(f"/api/v1/points/{made['id']}")
    assert yet.status_code == 404
    assert f"it begins on {day}" in yet.json()["detail"]
    listed = [item["id"] for item in get(client, "points", run_id=hall.run.pk)["items"]]
    assert listed == [point.pk for point in hall.points]


def test_a_correction_adds_nothing(hall: Hall, client: Client) -> None:
    address = f"runs/{hall.run.pk}"
    answer = post(
        client,
        f"{address}/correct",
        {"fuse_fitted": True, "fuse_rating_a": 2.0, "change": {"reason": "looked again"}},
        status=200,
        etag=etag_of(client, address),
    )
    assert answer.json()["fuse_rating_a"] == 2.0
    assert answer.json()["unchanged_since"] == BUILT.isoformat(), "it was so all along"
    last = ChangeSet.objects.filter(site=hall.site).latest("id")
    assert (last.kind, last.operations[0]["op"]) == ("correction", "run.correct")


# --- points -------------------------------------------------------------------------------------------------


def test_a_point_is_shown_with_its_segment_and_words(hall: Hall, client: Client) -> None:
    point = get(client, f"points/{hall.points[1].pk}", expand="model,cable_type,run")
    assert (point["kind"], point["device_kind"]) == ("device", "wall_speaker")
    assert (point["length_m"], point["length_basis"], point["current_basis"]) == (1.0, "measured", "measured")
    assert (point["tap_power_w"], point["tap_basis"]) == (None, "unknown")
    assert point["after_id"] == hall.points[0].pk
    assert point["model"]["full_output_current_a"] == 0.08
    assert point["cable_type"]["gauge_awg"] == 24
    assert point["run"]["name"] == "R1"
    assert "zone_id" not in point["run"], "the facts of a run are of a day, and belong to the run"


def test_points_of_a_run_in_order(hall: Hall, client: Client) -> None:
    names = [item["name"] for item in get(client, "points", run_id=hall.run.pk, order="rank")["items"]]
    assert names == [str(number) for number in range(1, 31)]
    turned = get(client, "points", run_id=hall.run.pk, order="-rank", page_size=2)
    assert [item["name"] for item in turned["items"]] == ["30", "29"]


def test_what_is_heard_in_a_zone(hall: Hall, client: Client) -> None:
    change = factories.change(hall.site, happened_on=LATER)
    strayed = point_append(
        change, run=hall.run, after=hall.points[-1], model=hall.speaker, zone=hall.gangway
    ).result

    def heard(zone: Any, **query: Any) -> set[int]:
        return {item["id"] for item in get(client, "points", zone_id=zone.pk, **query)["items"]}

    assert strayed.pk in heard(hall.gangway)
    assert strayed.pk not in heard(hall.zone)
    assert len(heard(hall.gangway)) == 11
    assert heard(hall.zone) == {point.pk for point in hall.points}
    assert len(heard(hall.gangway, as_of=BUILT.isoformat())) == 10
    assert get(client, "points", run_id=hall.run.pk, as_of=BUILT.isoformat(), count="true")["count"] == 30


def test_points_by_model_and_kind(hall: Hall, client: Client) -> None:
    horn = factories.make_model(DeviceModel.Kind.HORN)
    point_alter(factories.change(hall.site, happened_on=LATER), point=hall.points[4], model=horn)
    by_model = get(client, "points", run_id=hall.run.pk, model_id=horn.pk)["items"]
    assert [item["id"] for item in by_model] == [hall.points[4].pk]
    assert by_model[0]["device_kind"] == "horn"
    assert get(client, "points", run_id=hall.run.pk, model_id=horn.pk, as_of=BUILT.isoformat())["items"] == []
    assert get(client, "points", run_id=hall.run.pk, kind="splice")["items"] == []
    answer = client.get("/api/v1/points", {"kind": "spilce"})
    assert (
        answer.json()["errors"][0]["detail"]
        == "Expected one of: splice, device, uncounted_group. Did you mean splice?"
    )


def test_a_filter_shows_no_point_before_it_was_recorded(hall: Hall, client: Client) -> None:
    point = factories.make_points(hall.run, 1, happened_on=LATER, feed_supply=hall.supply)[0]
    model_id = PointFacts.objects.get(point=point).model_id
    of_it: list[dict[str, Any]] = [
        {"zone_id": hall.zone.pk},
        {"model_id": model_id, "run_id": hall.run.pk},
        {"feed_supply_id": hall.supply.pk},
        {"kind": "device", "run_id": hall.run.pk},
        {"run_id": hall.run.pk},
    ]
    for query in of_it:
        on_days = [
            {item["id"] for item in get(client, "points", **query, as_of=day.isoformat())["items"]}
            for day in (LATER, LATER - dt.timedelta(days=1))
        ]
        assert [point.pk in ids for ids in on_days] == [True, False], query


def test_a_speaker_is_hung_behind_another(hall: Hall, client: Client) -> None:
    body = {
        "run_id": hall.run.pk,
        "after_id": hall.points[-1].pk,
        "model_id": hall.speaker.pk,
        "length_m": 7.5,
        "length_basis": "measured",
        "place": "over the gate",
        "change": WHY,
    }
    answer = post(client, "points", body)
    made = answer.json()
    assert answer["Location"] == f"/api/v1/points/{made['id']}"
    assert (made["after_id"], made["length_m"], made["place"]) == (hall.points[-1].pk, 7.5, "over the gate")
    change_set = ChangeSet.objects.filter(site=hall.site).latest("id")
    assert (change_set.reason, change_set.job_reference, change_set.happened_on) == (
        "as agreed",
        "LS-9",
        LATER,
    )
    assert [operation["op"] for operation in change_set.operations] == ["point.append"]
    before = client.get(f"/api/v1/points/{made['id']}", {"as_of": BUILT.isoformat()})
    assert before.status_code == 404
    assert f"it was added on {LATER}" in before.json()["detail"]


def test_a_speaker_is_cut_in_and_taken_off_again(hall: Hall, client: Client) -> None:
    middle = hall.points[10]
    made = post(
        client,
        "points/insert",
        {"before_id": middle.pk, "model_id": hall.speaker.pk, "change": WHY},
    )
    point = made.json()
    assert made["Location"] == f"/api/v1/points/{point['id']}"
    assert (point["after_id"], point["length_m"]) == (hall.points[9].pk, 0.5)
    assert get(client, f"points/{middle.pk}")["after_id"] == point["id"]
    delete(client, f"points/{point['id']}", {"change": WHY}, made["ETag"])
    gone = get(client, f"points/{point['id']}")
    assert (gone["kind"], gone["model_id"]) == ("splice", None), "its conductors are spliced through"
    assert get(client, f"points/{middle.pk}")["after_id"] == point["id"]


def test_a_device_that_hung_there_all_along(hall: Hall, client: Client) -> None:
    made = post(
        client,
        "points/found",
        {
            "run_id": hall.run.pk,
            "after_id": hall.points[-1].pk,
            "model_id": hall.speaker.pk,
            "change": {"reason": "counted"},
        },
    ).json()
    assert made["unchanged_since"] == BUILT.isoformat()
    assert get(client, f"points/{made['id']}", as_of=BUILT.isoformat())["kind"] == "device"


def test_a_point_is_altered_and_corrected(hall: Hall, client: Client) -> None:
    address = f"points/{hall.points[3].pk}"
    altered = patch(
        client, address, {"length_m": 2.0, "length_basis": "drawing", "change": WHY}, etag_of(client, address)
    )
    assert (altered.json()["length_basis"], altered.json()["unchanged_since"]) == (
        "drawing",
        LATER.isoformat(),
    )
    corrected = post(
        client,
        f"{address}/correct",
        {"length_m": 2.5, "length_basis": "measured", "change": {"reason": "measured"}},
        status=200,
        etag=altered["ETag"],
    )
    assert (corrected.json()["length_m"], corrected.json()["unchanged_since"]) == (2.5, LATER.isoformat())
    assert get(client, address, as_of=BUILT.isoformat())["length_m"] == 1.0


def test_what_held_on_a_day_is_corrected_and_what_came_later_stays(hall: Hall, client: Client) -> None:
    point_alter(factories.change(hall.site, happened_on=LATER), point=hall.points[3], speech_current_a=0.05)
    address = f"points/{hall.points[3].pk}"
    body = {"speech_current_a": 0.03, "held_on": BUILT.isoformat(), "change": {"reason": "label read"}}
    post(client, f"{address}/correct", body, status=200, etag=etag_of(client, address))
    assert get(client, address, as_of=BUILT.isoformat())["speech_current_a"] == 0.03
    assert get(client, address)["speech_current_a"] == 0.05
    bad = refused(client, "post", f"{address}/correct", {**body, "held_on": "then"}, etag_of(client, address))
    assert bad.json()["errors"] == [
        {
            "pointer": "/held_on",
            "code": "invalid",
            "detail": "held_on: expected a day such as 2026-11-25, from 1970 to 2200.",
        }
    ]
    nothing = {"held_on": BUILT.isoformat(), "change": {"reason": "label read"}}
    empty = refused(client, "post", f"{address}/correct", nothing, etag_of(client, address))
    assert empty.json()["errors"][0]["code"] == "empty"


def test_two_who_change_one_point(hall: Hall, client: Client) -> None:
    """Facts are part of the version: a change built on an earlier one is refused, and nothing is written."""
    address = f"points/{hall.points[3].pk}"
    etag = etag_of(client, address)
    point_alter(factories.change(hall.site, happened_on=LATER), point=hall.points[3], place="by the door")
    answer = refused(client, "patch", address, {"place": "by the gate", "change": WHY}, etag)
    assert answer.status_code == 412
    assert answer["ETag"] == etag_of(client, address) != etag
    missing = refused(client, "post", f"{address}/correct", {"place": "x", "change": WHY})
    assert missing.status_code == 428
    assert get(client, address)["place"] == "by the door"


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({}, "/run_id", "run_id is missing"),
        ({"run_id": "x"}, "/run_id", "expected the id of a run"),
        ({"run_id": 999999999}, "/run_id", "There is no run 999999999"),
        ({"length": 5}, "/length", "Did you mean length_m?"),
        ({"length_m": "5"}, "/length_m", "expected a number"),
        ({"length_basis": "mesured"}, "/length_basis", "expected one of"),
        ({"kind": 2}, "/kind", "expected one of splice, device, uncounted_group"),
    ],
)
def test_a_bad_body_is_named(
    hall: Hall, client: Client, body: dict[str, Any], pointer: str, stated: str
) -> None:
    answer = refused(client, "post", "points", {**body, "change": WHY})
    assert answer.status_code == 400
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert Point.objects.filter(run=hall.run).count() == 30


@pytest.mark.parametrize(
    ("body", "status", "pointer", "stated"),
    [
        ({"length_m": 5.0}, 400, "/length_basis", "Say how length_m is known"),
        ({"length_m": -5.0, "length_basis": "measured"}, 400, "/length_m", "from 0 to 10000 [m]"),
        (
            {"kind": "uncounted_group"},
            400,
            "/count_likely",
            "An uncounted group says how many devices there may be",
        ),
    ],
)
def test_what_the_record_refuses_is_told_where_it_stands(
    hall: Hall, client: Client, body: dict[str, Any], status: int, pointer: str, stated: str
) -> None:
    whole = {"run_id": hall.run.pk, "after_id": hall.points[-1].pk, **body, "change": WHY}
    answer = refused(client, "post", "points", whole)
    assert answer.status_code == status, answer.content
    (error,) = answer.json()["errors"]
    assert (error["pointer"], stated in error["detail"]) == (pointer, True), error


def test_what_contradicts_something_later_names_it(hall: Hall, client: Client) -> None:
    later = point_alter(
        factories.change(hall.site, happened_on=LATER, reason="moved"), point=hall.points[3], place="door"
    ).change_set
    address = f"points/{hall.points[3].pk}"
    why = {"reason": "forgotten", "happened_on": (LATER - dt.timedelta(days=5)).isoformat()}
    answer = refused(client, "patch", address, {"place": "gate", "change": why}, etag_of(client, address))
    assert answer.status_code == 409
    assert f"change set {later.pk} of {LATER}" in answer.json()["detail"]
    assert "“moved”" in answer.json()["detail"]


def test_a_model_of_another_kind_is_refused_by_name(hall: Hall, client: Client) -> None:
    supply = factories.make_model(DeviceModel.Kind.SUPPLY, name="PS-2")
    answer = refused(client, "post", "points", {"run_id": hall.run.pk, "model_id": supply.pk, "change": WHY})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/model_id"
    assert (
        answer.json()["detail"] == "PS-2 is a DC supply; expected a ceiling speaker or wall speaker or horn."
    )


def test_a_run_of_another_customer_is_not_there(hall: Hall, client: Client) -> None:
    elsewhere = factories.make_run(factories.make_block())
    for body in ({"run_id": elsewhere.pk}, {"run_id": hall.run.pk, "after_id": 999999999}):
        answer = refused(client, "post", "points", {**body, "change": WHY})
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["code"] == "not_found"
    assert PointFacts.objects.filter(run=elsewhere).count() == 0
