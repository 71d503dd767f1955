"""What a change does to the figures of its site, in the answer to it."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models.access import User
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, as_described, etag_of, patch, post
from tests.halls import Hall, more_speakers

WHY = {"reason": "too quiet"}


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def of(effect: dict[str, Any], code: str) -> Any:
    return next(item for item in effect["items"] if item["code"] == code)


def speaker_of(hall: Hall, **given: Any) -> dict[str, Any]:
    (body,) = more_speakers(hall, 1)
    return {name: value for name, value in body.items() if name not in ("op", "label")} | given


def test_a_write_says_what_it_does_where_asked(hall: Hall, client: Client) -> None:
    loud = speaker_of(hall, speech_current_a=0.5, change=WHY)
    made = post(client, "points?effect=true", loud).json()
    assert made["run_id"] == hall.run.pk
    supply = of(made["effect"], "supply_current")
    # by hand: 40 speakers at 40 mA, then one of 0.5 A more; 0.8 of 2 A
    assert (supply["before"]["likely"], supply["after"]["likely"]) == pytest.approx((1.60, 2.10))
    assert supply["after"]["limit"] == pytest.approx(1.60)
    assert (supply["before"]["verdict"], supply["after"]["verdict"]) == ("cannot_tell", "past")
    assert (supply["crosses"], supply["clears"], supply["worsens"]) == (True, False, True)
    assert supply["subject"]["name"] == "supply PS 1"
    assert supply["sentence"] == (
        "Supply current of supply PS 1: from 1.60 A to 2.10 A; limit 1.60 A. Past; before cannot tell."
    )
    assert made["effect"]["crosses"]
    address = f"points/{made['id']}"
    quiet = {"speech_current_a": 0.04, "change": WHY}
    taken_back = patch(client, f"{address}?effect=true", quiet, etag_of(client, address)).json()
    # by hand: 41 at 40 mA
    assert of(taken_back["effect"], "supply_current")["after"]["likely"] == pytest.approx(1.64)


def test_a_write_says_nothing_where_not_asked_and_costs_no_more(hall: Hall, client: Client) -> None:
    post(client, "points", speaker_of(hall, change=WHY))  # what is read once
    with CaptureQueriesContext(connection) as queries:
        made = post(client, "points", speaker_of(hall, change=WHY)).json()
    assert "effect" not in made
    assert not [one for one in queries if "point_facts f" in one["sql"]], "the plant is not read"


def test_other_kinds_of_writes_say_it_too(hall: Hall, client: Client) -> None:
    address = f"sites/{hall.site.pk}"
    hotter = patch(
        client,
        f"{address}?effect=true",
        {"design_temperature_c": 60, "change": WHY},
        etag_of(client, address),
    ).json()
    assert of(hotter["effect"], "run_voltage")["worsens"], "the record of the site is not dated, and yet"
    first, second = (
        {"block_id": hall.block.pk, "run_id": run.pk, "row": 1, "pair": 1, "carries": "audio", "change": WHY}
        for run in (hall.run, hall.gangway_run)
    )
    assert post(client, "landings?effect=true", first).json()["effect"]["crosses"] is False
    landed = post(client, "landings?effect=true", second).json()
    assert len(landed["items"]) == 2
    assert of(landed["effect"], "row_used_twice")["crosses"], "two wires on one clip"
    zone = post(client, "zones?effect=true", {"site_id": hall.site.pk, "name": "Gate", "change": WHY}).json()
    assert zone["effect"]["summary"] == "It changed no figure."


def test_a_write_that_is_refused_leaves_nothing(hall: Hall, client: Client) -> None:
    answer = client.post(
        f"{ROOT}/points?effect=true",
        speaker_of(hall, length_m=-1, change=WHY),
        content_type="application/json",
    )
    assert answer.status_code == 400
    stale = client.patch(
        f"{ROOT}/points/{hall.points[0].pk}?effect=true",
        {"note": "x", "change": WHY},
        content_type="application/json",
        headers={"If-Match": '"1"'},
    )
    assert stale.status_code == 412
    wrong = client.post(f"{ROOT}/points?effects=true", speaker_of(hall), content_type="application/json")
    assert "Did you mean effect?" in wrong.json()["detail"]


def test_accepting_a_draft_says_what_it_does(hall: Hall, client: Client) -> None:
    body = {"site_id": hall.site.pk, "reason": "more", "operations": more_speakers(hall)}
    answer = post(client, "change-sets", body)
    address = f"change-sets/{answer.json()['id']}"
    looked_at = post(client, f"{address}/evaluate", {}, status=200).json()
    accepted = post(client, f"{address}/accept", {}, status=200, etag=answer["ETag"]).json()
    # by hand: 52 speakers at 40 mA
    assert of(accepted["effect"], "supply_current")["after"]["likely"] == pytest.approx(2.08)
    said, foreseen = (
        [
            {name: item[name] for name in ("code", "sentence", "crosses", "clears", "worsens")}
            for item in items
        ]
        for items in (accepted["effect"]["items"], looked_at["items"])
    )
    assert said == foreseen
    as_described(client.get(f"{ROOT}/{address}"), "get")
