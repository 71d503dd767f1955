"""A run along its cable: what each point draws, and the voltage that is left for it."""

from __future__ import annotations

from typing import Any

import pytest
from django.test import Client

from sites.models import Basis, DeviceModel
from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import ROOT, get
from tests.api.v1.test_zones import BUILT
from tests.halls import Hall
from zones.models import PointFacts, Run
from zones.services.landings import PairUse, landing_add
from zones.services.points import point_alter, point_append

LOOP_OHM_PER_M = 2 * 25.67 / 304.8 / 3
"""Loop resistance of three pairs of 24 AWG (ASTM B258, printed)."""


@pytest.fixture
def client(dispatcher: User, with_token: Caller) -> Client:
    return with_token(dispatcher)


def point(profile: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = [one for one in profile["points"] if one["name"] == name]
    return dict(found)


def test_the_points_come_in_order_with_what_is_there(hall: Hall, client: Client) -> None:
    profile = get(client, f"runs/{hall.run.pk}/profile")
    assert [one["name"] for one in profile["points"]] == [str(number) for number in range(1, 31)]
    assert [one["after_id"] for one in profile["points"]] == [None, *(one.pk for one in hall.points[:-1])]
    first, last = profile["points"][0], profile["points"][-1]
    # 30 segments of 1 m, measured: ± 2 %
    assert last["distance_m"] == {"low": 29.4, "likely": 30.0, "high": 30.6}
    assert (first["length_basis"], first["pairs"], first["kind"]) == ("measured", 3, "device")
    # half of 80 mA at full output, known as its model is: measured, ± 5 %
    assert first["current_a"] == {"low": 0.038, "likely": 0.04, "high": 0.042}
    assert first["minimum_voltage_v"] == 18.0
    assert first["device"] == "wall speaker"


def test_the_voltage_at_the_last_point_is_what_the_run_is_judged_by(hall: Hall, client: Client) -> None:
    profile = get(client, f"runs/{hall.run.pk}/profile")
    (judged,) = get(client, f"runs/{hall.run.pk}/load", code="run_voltage")["items"]
    last = profile["points"][-1]
    assert judged["place"]["id"] == last["id"]
    assert last["voltage_v"] == {word: judged[word] for word in ("low", "likely", "high")}
    # By hand: n segments behind carry n times 0.04 A, together 30 · 31 / 2 times 0.04 A through 1 m
    at_block = profile["voltage_v"]["likely"]
    assert last["voltage_v"]["likely"] == pytest.approx(at_block - 465 * 0.04 * LOOP_OHM_PER_M, abs=1e-3)
    assert profile["has_voltages"]
    assert profile["no_voltage"] == []
    assert len(profile["assumptions"]) == 2


def test_it_is_that_of_the_day(hall: Hall, client: Client) -> None:
    factories.make_points(hall.run, 2, hall.speaker, happened_on=BUILT.replace(year=BUILT.year + 1))
    today = get(client, f"runs/{hall.run.pk}/profile")
    built = get(client, f"runs/{hall.run.pk}/profile", as_of=BUILT.isoformat())
    assert (len(today["points"]), len(built["points"])) == (32, 30)
    assert point(today, "30")["voltage_v"]["likely"] < point(built, "30")["voltage_v"]["likely"]


def test_what_is_not_recorded_is_said_and_never_a_number(hall: Hall, client: Client) -> None:
    change = factories.change(hall.site)
    point_append(change, run=hall.run, after=hall.points[-1], model=hall.speaker, name="spur")
    spur = point(get(client, f"runs/{hall.run.pk}/profile"), "spur")
    assert spur["distance_m"] is None
    assert spur["length_m"] == {"low": 4.0, "likely": 8.0, "high": 15.0}
    assert (spur["length_basis"], spur["length_known"]) == ("unknown", "not recorded: taken as usual")
    assert spur["pairs"] is None


def test_a_splice_draws_nothing_and_a_group_is_counted_as_it_is(hall: Hall, client: Client) -> None:
    change = factories.change(hall.site)
    splice = point_append(
        change, run=hall.run, after=hall.points[-1], kind=PointFacts.Kind.SPLICE, name="joint", length_m=1.0,
        length_basis=Basis.MEASURED,
    ).result  # fmt: skip
    point_append(
        change, run=hall.run, after=splice, kind=PointFacts.Kind.UNCOUNTED_GROUP, name="rest", length_m=1.0,
        length_basis=Basis.MEASURED, count_low=4, count_likely=6, count_high=9, model=hall.speaker,
    )  # fmt: skip
    profile = get(client, f"runs/{hall.run.pk}/profile")
    joint, rest = point(profile, "joint"), point(profile, "rest")
    assert (joint["kind"], joint["current_a"], joint["count"], joint["device"]) == ("splice", None, None, "")
    assert rest["kind"] == "uncounted_group"
    assert rest["count"] == {"low": 4.0, "likely": 6.0, "high": 9.0}


def test_a_point_names_its_own_zone_and_what_feeds_it(hall: Hall, client: Client) -> None:
    other = factories.make_supply(hall.closet, name="PS 2")
    change = factories.change(hall.site)
    point_alter(change, point=hall.points[20], negative_cut=True)
    point_alter(change, point=hall.points[29], feed_supply=other, zone=hall.gangway)
    profile = get(client, f"runs/{hall.run.pk}/profile")
    last = profile["points"][29]
    assert (last["feed_supply_id"], last["feed_supply"]) == (other.pk, "supply PS 2")
    assert (last["zone_id"], last["zone"]) == (hall.gangway.pk, "zone Gangway")
    assert profile["points"][20]["negative_cut"]
    # It is fed there: nothing lies between the supply and the point
    assert last["voltage_v"]["likely"] > profile["points"][28]["voltage_v"]["likely"]


def test_behind_a_cut_that_nothing_feeds_there_is_a_reason_and_no_voltage(hall: Hall, client: Client) -> None:
    point_alter(factories.change(hall.site), point=hall.points[20], negative_cut=True)
    profile = get(client, f"runs/{hall.run.pk}/profile")
    reason = "Its negative is cut, and nothing feeds it behind the cut."
    assert profile["no_voltage"] == [reason]
    assert [one["no_voltage"] for one in profile["points"]] == [""] * 20 + [reason] * 10
    assert profile["points"][20]["voltage_v"] == {"low": None, "likely": None, "high": None}


def test_an_estimate_without_a_stable_voltage_is_named(hall: Hall, client: Client) -> None:
    """One more at 0.5 A behind 250 m of one pair, both guessed: 0.5 A through 42.1 Ω drops 21.1 V; in the
    high estimate 0.8 A through 63.2 Ω would drop more than there is."""
    far = point_append(
        factories.change(hall.site), run=hall.gangway_run, after=None, model=hall.speaker, name="far",
        length_m=250.0, length_basis=Basis.GUESSED, speech_current_a=0.5, current_basis=Basis.GUESSED,
        cable_type=factories.make_cable(), dc_pairs=1,
    ).result  # fmt: skip
    profile = get(client, f"runs/{hall.gangway_run.pk}/profile")
    (found,) = [one for one in profile["points"] if one["id"] == far.pk]
    assert found["overloaded"] == ["high"]
    assert found["voltage_v"]["high"] is None
    assert found["voltage_v"]["low"] > 0
    assert profile["no_voltage"] == [
        "High estimate: no stable voltage: overloaded. The loads ask for more than the cable can carry."
    ]


def test_a_line_that_carries_audio_has_points_and_says_that_it_has_no_profile(
    hall: Hall, client: Client
) -> None:
    amplifier = factories.make_amplifier(hall.closet)
    run = factories.make_run(hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, amplifier=amplifier)
    horn = factories.make_model(DeviceModel.Kind.HORN)
    factories.make_points(run, 2, horn, length_m=20.0, tap_power_w=15.0, tap_basis=Basis.MARKED)
    profile = get(client, f"runs/{run.pk}/profile")
    assert not profile["has_voltages"]
    assert profile["no_voltage"] == [
        "Only self-amplified runs have a voltage profile: this run carries no DC."
    ]
    # marked: ± 15 %
    assert profile["points"][1]["tap_power_w"] == {"low": 12.75, "likely": 15.0, "high": 17.25}
    assert profile["points"][1]["distance_m"]["likely"] == 40.0
    assert profile["points"][1]["current_a"] is None


def test_it_takes_as_many_queries_for_a_long_run_as_for_a_short_one(
    hall: Hall, client: Client, django_assert_max_num_queries: Any
) -> None:
    get(client, f"runs/{hall.run.pk}/profile")
    for run in (hall.run, hall.gangway_run):
        with django_assert_max_num_queries(14):
            get(client, f"runs/{run.pk}/profile")


def test_how_a_run_is_isolated(hall: Hall, client: Client) -> None:
    nothing = get(client, f"runs/{hall.run.pk}/isolation")
    assert not nothing["complete"]
    assert nothing["sentence"].startswith("The rows of this run are not recorded: trace its conductors")
    later = factories.change(hall.site, happened_on=BUILT.replace(year=BUILT.year + 1))
    landing_add(later, block=hall.block, row=5, pair=2, carries=PairUse.DC, run=hall.run)
    found = get(client, f"runs/{hall.run.pk}/isolation")
    assert found["complete"]
    assert found["clips"][0]["to_pull"] == [5, 6]
    assert found["sentence"].startswith(f"Pull clips 5 and 6 on {hall.block.name}.")
    assert "Silent while supply PS 1 is off: zone Gangway" in found["sentence"]
    assert "never take a measurement for isolation" in found["caution"]
    before = get(client, f"runs/{hall.run.pk}/isolation", as_of=BUILT.isoformat())
    assert before == nothing


def test_a_run_out_of_scope_is_not_there(hall: Hall, outsider: User, with_token: Caller) -> None:
    for part in ("profile", "isolation"):
        assert with_token(outsider).get(f"{ROOT}/runs/{hall.run.pk}/{part}").status_code == 404
