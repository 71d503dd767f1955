"""Blocks, clips and landings over REST."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models import Block
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import delete, etag_of, get, patch, post
from tests.halls import Hall
from zones.models import Landing, Run
from zones.services.landings import PairUse, landing_add

BUILT = factories.BUILT_ON
LATER = BUILT + dt.timedelta(days=100)
WHY = {"reason": "as agreed", "happened_on": LATER.isoformat()}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def refused(client: Client, address: str, body: dict[str, Any]) -> Any:
    return client.post(f"/api/v1/{address}", {**body, "change": WHY}, content_type="application/json")


def landed(client: Client, hall: Hall, **said: Any) -> list[dict[str, Any]]:
    body = {"block_id": hall.block.pk, "row": 1, "pair": 2, "carries": "dc", "run_id": hall.run.pk, **said}
    items: list[dict[str, Any]] = post(client, "landings", {**body, "change": WHY}).json()["items"]
    return items


# --- blocks and clips ---------------------------------------------------------------------------------------


def test_a_block_is_mounted_changed_and_taken_down(hall: Hall, client: Client) -> None:
    made = post(client, "blocks", {"closet_id": hall.closet.pk, "name": "B 9", "kind": "110", "change": WHY})
    block = made.json()
    assert (block["kind"], block["row_count"], block["pulled_rows"]) == ("110", 50, [])
    address = f"blocks/{block['id']}"
    altered = patch(client, address, {"row_count": 25, "change": WHY}, made["ETag"])
    assert altered.json()["row_count"] == 25
    names = [item["name"] for item in get(client, "blocks", closet_id=hall.closet.pk, kind="110")["items"]]
    assert names == ["B 9"]
    delete(client, address, {"change": WHY}, altered["ETag"])
    assert get(client, address)["ended_on"] == LATER.isoformat()


def test_clips_are_pulled_put_and_corrected(hall: Hall, client: Client) -> None:
    address = f"blocks/{hall.block.pk}"
    pulled = post(client, f"{address}/pull-clips", {"rows": [4, 3], "change": WHY}, status=200)
    assert pulled.json()["pulled_rows"] == [3, 4]
    assert get(client, address, as_of=BUILT.isoformat())["pulled_rows"] == []
    assert get(client, "blocks", site_id=hall.site.pk)["items"][0]["pulled_rows"] == [3, 4]
    put = post(client, f"{address}/put-clips", {"rows": [3], "change": WHY}, status=200)
    assert put.json()["pulled_rows"] == [4]
    body = {"row": 4, "is_in": True, "change": {"reason": "it never was out"}}
    assert post(client, f"{address}/correct-clip", body, status=200).json()["pulled_rows"] == []


def test_a_list_of_blocks_has_the_pulled_clips_of_each(hall: Hall, client: Client) -> None:
    made = post(client, "blocks", {"closet_id": hall.closet.pk, "name": "B 9", "kind": "110", "change": WHY})
    other = made.json()["id"]
    post(client, f"blocks/{hall.block.pk}/pull-clips", {"rows": [4, 3], "change": WHY}, status=200)
    post(client, f"blocks/{other}/pull-clips", {"rows": [7], "change": WHY}, status=200)
    listed = {block["id"]: block["pulled_rows"] for block in get(client, "blocks")["items"]}
    assert (listed[hall.block.pk], listed[other]) == ([3, 4], [7])


@pytest.mark.parametrize(
    ("body", "pointer", "stated"),
    [
        ({"rows": []}, "/rows", "Name the rows"),
        ({"rows": [1, 51]}, "/rows/1", "has rows 1 to 50"),
        ({"rows": 3}, "/rows", "list"),
        ({"row": 3}, "/row", "Did you mean rows?"),
    ],
)
def test_a_clip_that_is_not_there(
    hall: Hall, client: Client, body: dict[str, Any], pointer: str, stated: str
) -> None:
    answer = refused(client, f"blocks/{hall.block.pk}/pull-clips", body)
    assert answer.status_code == 400, answer.content
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert get(client, f"blocks/{hall.block.pk}")["pulled_rows"] == []


def test_nothing_can_be_pulled_on_a_screw_strip(hall: Hall, client: Client) -> None:
    strip = factories.make_block(hall.closet, name="L", kind=Block.Kind.SCREW)
    answer = refused(client, f"blocks/{strip.pk}/pull-clips", {"rows": [1]})
    assert answer.status_code == 422
    assert "Nothing on it can be pulled" in answer.json()["detail"]


# --- landings -----------------------------------------------------------------------------------------------


def test_a_pair_is_landed_with_its_colours_and_uses(hall: Hall, client: Client) -> None:
    first, second = landed(client, hall)
    # ANSI/ICEA colour code: the second pair is white and orange; in this trade the positive is grounded
    assert (first["row"], first["colour"], first["carries"]) == (1, "white-orange", "dc_positive")
    assert (second["row"], second["colour"], second["carries"]) == (2, "orange-white", "dc_negative")
    assert (first["side"], first["run_id"], first["clip_in"]) == ("field", hall.run.pk, True)
    equipment = post(
        client,
        "landings",
        {"block_id": hall.block.pk, "row": 1, "pair": 1, "carries": "dc", "supply_id": hall.supply.pk,
         "reversed": True, "change": WHY},
    ).json()["items"]  # fmt: skip
    assert [(item["side"], item["carries"]) for item in equipment] == [
        ("equipment", "dc_negative"),
        ("equipment", "dc_positive"),
    ]


def test_landings_are_found_by_where_they_lie_and_whose_they_are(hall: Hall, client: Client) -> None:
    first, second = landed(client, hall)
    post(client, f"blocks/{hall.block.pk}/pull-clips", {"rows": [2], "change": WHY}, status=200)

    def found(**query: Any) -> list[int]:
        return [item["id"] for item in get(client, "landings", **query)["items"]]

    assert found(run_id=hall.run.pk) == [first["id"], second["id"]]
    assert found(block_id=hall.block.pk, row=2) == [second["id"]]
    assert found(closet_id=hall.closet.pk, side="equipment") == []
    assert found(carries="dc_negative", site_id=hall.site.pk) == [second["id"]]
    assert found(run_id=hall.run.pk, as_of=BUILT.isoformat()) == []
    assert get(client, f"landings/{second['id']}", expand="block")["block"]["name"] == hall.block.name
    assert get(client, f"landings/{second['id']}")["clip_in"] is False
    strip = factories.make_block(hall.closet, kind=Block.Kind.SCREW)
    on_screws = landed(client, hall, block_id=strip.pk)
    assert on_screws[0]["clip_in"] is None


def test_one_conductor_is_taken_off_or_several_at_once(hall: Hall, client: Client) -> None:
    first, second = landed(client, hall)
    delete(client, f"landings/{first['id']}", {"change": WHY}, etag_of(client, f"landings/{first['id']}"))
    assert get(client, f"landings/{first['id']}")["ended_on"] == LATER.isoformat()
    third, fourth = landed(client, hall, row=7)
    body = {"landing_ids": [second["id"], third["id"], fourth["id"]], "change": WHY}
    gone = post(client, "landings/take-off", body, status=200).json()["items"]
    assert [item["ended_on"] for item in gone] == [LATER.isoformat()] * 3
    assert get(client, "landings", run_id=hall.run.pk)["items"] == []
    assert len(get(client, "landings", run_id=hall.run.pk, ended="yes")["items"]) == 4


def test_what_is_taken_off_must_be_there_and_seen(hall: Hall, client: Client) -> None:
    first, _ = landed(client, hall)
    for ids in ([first["id"], 999999999], [first["id"], "x"], []):
        answer = refused(client, "landings/take-off", {"landing_ids": ids})
        assert answer.status_code == 400, answer.content
    assert Landing.objects.get(pk=first["id"]).end_step is None


def test_how_a_conductor_lies_was_recorded_wrongly(hall: Hall, client: Client) -> None:
    first, _ = landed(client, hall)
    address = f"landings/{first['id']}"
    body = {"row": 9, "change": {"reason": "counted again"}}
    fixed = post(client, f"{address}/correct", body, status=200, etag=etag_of(client, address)).json()
    assert (fixed["row"], fixed["began_on"]) == (9, LATER.isoformat())
    missing = refused(client, f"{address}/correct", {"row": 9})
    assert missing.status_code == 428


@pytest.mark.parametrize(
    ("body", "status", "pointer", "stated"),
    [
        ({"row": 50}, 400, "/second_row", "has rows 1 to 50, not 51"),
        ({"pair": 26}, 400, "/pair", "expected a whole number from 1 to 25"),
        ({"run_id": None}, 400, "/run_id", "Say whose pair it is"),
        ({"carries": "dcc"}, 400, "/carries", "expected one of audio, dc, line, spare"),
        ({"colour": "blue"}, 400, "/colour", "There is no 'colour' here"),
    ],
)
def test_a_bad_landing_is_named(
    hall: Hall, client: Client, body: dict[str, Any], status: int, pointer: str, stated: str
) -> None:
    whole = {"block_id": hall.block.pk, "row": 1, "pair": 2, "carries": "dc", "run_id": hall.run.pk, **body}
    answer = refused(client, "landings", whole)
    assert answer.status_code == status, answer.content
    errors = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert stated in errors[pointer]
    assert not Landing.objects.filter(run=hall.run).exists()


@pytest.mark.parametrize(
    ("fields", "colours"),
    [
        ({"category": False, "pair_count": 1, "conductor_colours": "black, red"}, ["black", "red"]),
        ({"category": False, "pair_count": 1}, ["", ""]),  # a two-conductor line without recorded colours
        ({"category": False, "pair_count": 2}, ["white-blue", "blue-white"]),  # ANSI/ICEA 25-pair code
        ({"category": True, "pair_count": 4}, ["white-blue", "blue-white"]),
    ],
)
def test_colours_follow_the_cable_type_of_the_run(
    hall: Hall, client: Client, fields: dict[str, Any], colours: list[str]
) -> None:
    line = factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, name="L1")
    factories.make_points(line, 2, hall.speaker, cable_type=factories.make_cable(**fields))
    landing_add(factories.change(hall.site), block=hall.block, row=21, pair=1, carries=PairUse.LINE, run=line)
    items = get(client, "landings", run_id=line.pk)["items"]
    assert [item["colour"] for item in sorted(items, key=lambda item: int(item["row"]))] == colours
    sheet = get(client, f"closets/{hall.closet.pk}/sheet")
    shown = [one for block in sheet["blocks"] for row in block["rows"] for one in row["conductors"]]
    assert [one["colour"] for one in shown if one["run_id"] == line.pk] == colours


# --- rows ---------------------------------------------------------------------------------------------------


def test_the_rows_of_a_block_are_those_of_the_sheet_with_what_each_wire_belongs_to(
    hall: Hall, client: Client
) -> None:
    change = factories.change(hall.site)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, supply=hall.supply)
    landing_add(change, block=hall.block, row=3, pair=2, carries=PairUse.AUDIO, output=hall.output)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run)
    other = factories.make_block(hall.closet, name="B 2")
    landing_add(change, block=other, row=1, pair=1, carries=PairUse.DC, run=hall.gangway_run)
    found = get(client, f"blocks/{hall.block.pk}/rows")
    (on_sheet,) = [
        one for one in get(client, f"closets/{hall.closet.pk}/sheet")["blocks"] if one["id"] == hall.block.pk
    ]
    assert found["block"] == on_sheet
    belongs = [
        [(one["side"], one["of_kind"], one["of_id"]) for one in row["conductors"]]
        for row in found["block"]["rows"]
    ]
    dc = [("equipment", "supply", hall.supply.pk), ("field", "run", hall.run.pk)]
    audio = [("equipment", "endpoint", hall.gateway.pk)]
    assert belongs == [dc, dc, audio, audio]


def test_each_run_on_a_block_says_what_else_goes_with_it_and_which_zones_hear_it(
    hall: Hall, client: Client
) -> None:
    """Both runs are landed on rows 1 and 2 of a block in another closet, where the clips part both."""
    far = factories.make_block(factories.make_closet(hall.site), name="Far")
    change = factories.change(hall.site)
    for run in (hall.run, hall.gangway_run):
        landing_add(change, block=far, row=1, pair=1, carries=PairUse.DC, run=run)
    own = {run["name"]: run for run in get(client, f"blocks/{hall.block.pk}/rows")["runs"]}
    assert set(own) == {"R1", "R2"}, "both leave this block, though no row of it has them"
    assert own["R1"]["isolation"]["sentence"].count("This disconnects run R2 as well.") == 1
    assert own["R1"]["heard_in"] == "zone Ticket hall (life safety not recorded)"
    there = get(client, f"blocks/{far.pk}/rows")
    assert [run["name"] for run in there["runs"]] == ["R1", "R2"]
    assert [len(row["conductors"]) for row in there["block"]["rows"]] == [2, 2]


def test_the_rows_of_a_day_are_those_of_that_day(hall: Hall, client: Client) -> None:
    later = factories.change(hall.site, happened_on=LATER)
    landing_add(later, block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run)
    address = f"blocks/{hall.block.pk}/rows"
    before = get(client, address, as_of=(LATER - dt.timedelta(days=1)).isoformat())
    assert before["block"]["rows"] == []
    assert [row["number"] for row in get(client, address, as_of=LATER.isoformat())["block"]["rows"]] == [1, 2]


def test_a_block_of_fifty_rows_costs_as_many_queries_as_one_of_two(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            get(client, f"blocks/{hall.block.pk}/rows")
        return len(caught)

    change = factories.change(hall.site)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run)
    queries()
    before = queries()
    for number in range(2, 12):
        run = factories.make_run(hall.block, zone=hall.zone, name=f"X{number}", supply=hall.supply)
        landing_add(change, block=hall.block, row=2 * number, pair=1, carries=PairUse.DC, run=run)
    assert queries() == before
