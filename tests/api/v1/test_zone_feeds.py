"""What feeds a zone: runs back to the port of the switch, supplies in mid-run, points of others' runs, and
network speakers, as of a day."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models import DeviceModel, User
from sites.services.endpoints import endpoint_move
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.halls import Hall
from zones.models import Run
from zones.services.points import point_alter
from zones.services.runs import run_alter
from zones.services.zones import zone_endpoint_add

LATER = factories.BUILT_ON + dt.timedelta(days=100)


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def feeds(client: Client, zone_id: int, **query: str) -> Any:
    return get(client, f"zones/{zone_id}/feeds", **query)


def test_a_run_is_followed_to_supply_output_and_port(hall: Hall, client: Client) -> None:
    (run,) = feeds(client, hall.zone.pk)["runs"]
    named = {name: run[name] and run[name]["name"] for name in ("run", "block", "closet", "output", "supply")}
    assert named == {
        "run": "R1",
        "block": hall.block.name,
        "closet": hall.closet.name,
        "output": "1",
        "supply": "PS 1",
    }
    device = run["device"]
    assert [device[name]["name"] for name in ("endpoint", "port", "switch")] == ["GW 1", "3", "SW 1"]
    assert device["switch"] == {"kind": "switch", "id": hall.switch.pk, "name": "SW 1"}
    assert (run["kind"], run["points"], run["amplifier"]) == ("self_amplified", None, None)


def test_a_supply_in_mid_run_is_named_with_its_point(hall: Hall, client: Client) -> None:
    second = factories.make_supply(hall.closet, name="PS 2")
    point = hall.points[19]
    point_alter(factories.change(hall.site), point=point, feed_supply=second)
    (run,) = feeds(client, hall.zone.pk)["runs"]
    assert [(one["supply"]["name"], one["at"]) for one in run["mid_run"]] == [("PS 2", point.name)]


def test_points_on_another_zones_run_feed_the_zone_where_they_are_heard(hall: Hall, client: Client) -> None:
    for point in hall.points[-2:]:
        point_alter(factories.change(hall.site), point=point, zone=hall.gangway)
    own, other = feeds(client, hall.gangway.pk)["runs"]
    assert (own["run"]["name"], own["points"]) == ("R2", None)
    assert (other["run"]["name"], other["points"]) == ("R1", 2)


def test_an_amplifier_drives_a_line(hall: Hall, client: Client) -> None:
    amplifier = factories.make_amplifier(hall.closet, name="AMP 1")
    zone = factories.make_zone(hall.site, name="Yard")
    factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=zone, name="L1", amplifier=amplifier)
    (run,) = feeds(client, zone.pk)["runs"]
    assert (run["amplifier"]["name"], run["device"], run["supply"]) == ("AMP 1", None, None)


def test_a_network_speaker_says_what_powers_it(hall: Hall, client: Client) -> None:
    model = factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER)
    speaker = factories.make_gateway(hall.closet, model, name="NS 1")
    zone_endpoint_add(factories.change(hall.site), zone=hall.zone, endpoint=speaker)
    (shown,) = feeds(client, hall.zone.pk)["speakers"]
    assert (shown["endpoint"]["name"], shown["port"]) == ("NS 1", None)
    endpoint_move(factories.change(hall.site), endpoint=speaker, port=hall.switch.ports.get(number=5))
    (shown,) = feeds(client, hall.zone.pk)["speakers"]
    assert (shown["port"]["name"], shown["powered_by"]) == ("5", "PoE from a switch port")


def test_each_day_has_the_feed_of_that_day(hall: Hall, client: Client) -> None:
    second = factories.make_supply(hall.closet, name="PS 2")
    run_alter(factories.change(hall.site, happened_on=LATER), run=hall.run, supply=second)
    before = feeds(client, hall.zone.pk, as_of=(LATER - dt.timedelta(days=1)).isoformat())
    assert [one["supply"]["name"] for one in before["runs"]] == ["PS 1"]
    assert [one["supply"]["name"] for one in feeds(client, hall.zone.pk)["runs"]] == ["PS 2"]


def test_what_nothing_feeds_has_no_feed(hall: Hall, client: Client) -> None:
    empty = factories.make_zone(hall.site, name="Annex")
    answer = feeds(client, empty.pk)
    assert (answer["runs"], answer["speakers"], answer["left_out"]) == ([], [], [])


def test_more_runs_cost_no_more_queries(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            feeds(client, hall.zone.pk)
        return len(caught)

    queries()  # notes that the token was used
    before = queries()
    for number in range(3, 7):
        factories.make_run(
            factories.make_block(hall.closet), zone=hall.zone, name=f"R{number}", output=hall.output
        )
    assert len(feeds(client, hall.zone.pk)["runs"]) == 5
    assert queries() == before
