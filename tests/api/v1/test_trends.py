"""What was read of a run over the years, as data: thirty speakers of 40 mA, measured, so 1.2 A are expected,
1.14 A to 1.26 A."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models.access import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.v1.asking import get
from tests.halls import Hall
from zones.models import Test
from zones.recheck.batch import check
from zones.services.runs import run_alter
from zones.services.tests import supersede_test

FIRST = dt.date(2024, 3, 4)


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def read(hall: Hall, year: int, value: float, **said: Any) -> Test:
    said = {"kind": Test.Kind.RUN_CURRENT, "state": Test.State.PAGING, "instrument_error": 0.02, **said}
    return factories.take_test(hall.run, value=value, taken_on=FIRST.replace(year=year), **said)


def test_a_trend_is_its_readings_beside_what_was_expected_and_how_they_move(
    hall: Hall, client: Client
) -> None:
    """0.18 A in 730 days or 1.99863 years, and the errors of the first and the last, 2 % of 1.20 A and of
    1.38 A, over the same: 0.09006 A a year, give or take 0.02582 A."""
    tests = [read(hall, year, value) for year, value in ((2024, 1.2), (2025, 1.26), (2026, 1.38))]
    check([hall.site.pk])
    answer = get(client, f"runs/{hall.run.pk}/trends", as_of="2026-03-04")
    assert (answer["run_id"], answer["site_id"], answer["as_of"]) == (hall.run.pk, hall.site.pk, "2026-03-04")
    assert answer["left_out"] == []
    (trend,) = answer["trends"]
    assert trend["change_per_year"] == pytest.approx(0.0900616, abs=1e-6)
    assert trend["give_or_take"] == pytest.approx(0.0258176, abs=1e-6)
    assert trend["direction"] == "rises"
    assert trend["sentence"] == (
        "It rises by 0.090 A a year, give or take 0.026 A: 3 readings from 2024-03-04 to 2026-03-04, against "
        "what was expected on their days."
    )
    assert [trend[name] for name in ("kind", "point_id", "state", "signal", "unit")] == [
        "run_current", None, "paging", "speech", "A",
    ]  # fmt: skip
    assert [one["test_id"] for one in trend["readings"]] == [one.pk for one in tests]
    last = trend["readings"][-1]
    assert (last["taken_on"], last["value"], last["verdict"]) == ("2026-03-04", 1.38, "outside")
    assert last["expected"] == pytest.approx({"low": 1.14, "likely": 1.2, "high": 1.26})
    assert (last["error"], last["outside_by"]) == pytest.approx((0.0276, 0.0924))


def test_what_the_instruments_may_make_of_it_is_no_change(hall: Hall, client: Client) -> None:
    """0.04 A in 1.99863 years; of instruments that are off by 2 %: (0.024 + 0.0248) / 1.99863 A."""
    for year, value in ((2024, 1.2), (2025, 1.22), (2026, 1.24)):
        read(hall, year, value)
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert trend["direction"] == "cannot_tell"
    assert trend["sentence"].startswith(
        "Cannot tell whether it changes: 0.020 A a year, give or take 0.024 A; "
    )


def test_no_change_is_none_though_the_instrument_is_never_off(hall: Hall, client: Client) -> None:
    for year in (2024, 2025, 2026):
        read(hall, year, 1.2, instrument_error=0.0)
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert (trend["change_per_year"], trend["give_or_take"], trend["direction"]) == (0, 0, "cannot_tell")


def test_a_voltage_sinks_in_hundredths_of_a_volt(hall: Hall, client: Client) -> None:
    """0.9 V less in 1.99863 years: −0.45031 V a year. Instruments that are off by half a percent:
    (0.115 + 0.1105) / 1.99863 = 0.11283 V."""
    said = {"kind": Test.Kind.END_VOLTAGE, "point": hall.points[-1], "source_voltage_v": 24.0}
    for year, value in ((2024, 23.0), (2025, 22.7), (2026, 22.1)):
        read(hall, year, value, instrument_error=0.005, taken_as=Test.TakenAs.AS_FOUND, **said)
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert trend["change_per_year"] == pytest.approx(-0.4503077, abs=1e-6)
    assert trend["direction"] == "sinks"
    assert trend["sentence"].startswith("It sinks by 0.45 V a year, give or take 0.11 V: 3 readings from ")
    assert {one["taken_as"] for one in trend["readings"]} == {"as_found"}


def test_a_change_that_cannot_be_told_has_its_sign_and_its_digits(hall: Hall, client: Client) -> None:
    """−0.0008 A in 1.99863 years, −0.0004 A a year: in thousandths it would look like none. The instruments:
    (0.0240 + 0.023984) / 1.99863 = 0.02401 A."""
    for year, value in ((2024, 1.2), (2025, 1.2), (2026, 1.1992)):
        read(hall, year, value)
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert trend["sentence"].startswith(
        "Cannot tell whether it changes: −0.0004 A a year, give or take 0.024 A; "
    )


def test_a_reading_without_an_expected_value_stands_there_and_moves_nothing(
    hall: Hall, client: Client
) -> None:
    """On its day no supply fed the run."""
    for year, value in ((2024, 1.2), (2025, 1.26), (2026, 1.38)):
        read(hall, year, value)
    run_alter(factories.change(hall.site, happened_on=dt.date(2026, 3, 5)), run=hall.run, supply=None)
    factories.take_test(
        hall.run, kind=Test.Kind.RUN_CURRENT, state=Test.State.PAGING, value=0.1, taken_on=dt.date(2026, 3, 6)
    )
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    last = trend["readings"][-1]
    assert (last["value"], last["expected"], last["verdict"]) == (0.1, None, "cannot_judge")
    assert trend["sentence"].startswith(
        "It rises by 0.090 A a year, give or take 0.026 A: 3 readings from 2024-03-04 to 2026-03-04, "
    )


def test_readings_stand_by_day_and_time_in_any_order_of_recording(hall: Hall, client: Client) -> None:
    newer = read(hall, 2025, 1.2)
    afternoon, morning = (read(hall, 2024, 1.2, taken_at=hour) for hour in ("14:00", "09:00"))
    (trend,) = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert [one["test_id"] for one in trend["readings"]] == [morning.pk, afternoon.pk, newer.pk]


def test_each_kind_point_and_state_is_a_trend_of_its_own_those_read_most_first(
    hall: Hall, client: Client
) -> None:
    for year in (2024, 2025):
        read(hall, year, 1.2)
        for point in hall.points[-2:]:
            read(hall, year, 23.0, kind=Test.Kind.END_VOLTAGE, point=point)
    read(hall, 2024, 1.2, signal=Test.Signal.TONE)
    for year in (2024, 2025, 2026):
        read(hall, year, 0.45, state=Test.State.IDLE)
    factories.take_test(hall.run, kind=Test.Kind.SHORTS, passed=True)
    factories.take_test(
        hall.run, kind=Test.Kind.INSULATION, value=2e6, electronics_disconnected=True, taken_on=FIRST
    )
    at_end = {"point": hall.points[-1], "taken_on": FIRST}
    factories.take_test(hall.run, kind=Test.Kind.LOOP_RESISTANCE, value=3.4, **at_end)
    factories.take_test(hall.run, kind=Test.Kind.LEVEL, state=Test.State.PAGING, value=-3.0, **at_end)
    trends = get(client, f"runs/{hall.run.pk}/trends")["trends"]
    assert [
        (one["kind"], one["point_id"], one["state"], one["signal"], len(one["readings"])) for one in trends
    ] == [
        ("run_current", None, "idle", None, 3),
        ("end_voltage", hall.points[-2].pk, "paging", "speech", 2),
        ("end_voltage", hall.points[-1].pk, "paging", "speech", 2),
        ("run_current", None, "paging", "speech", 2),
        ("run_current", None, "paging", "tone", 1),
        ("loop_resistance", hall.points[-1].pk, None, None, 1),
        ("insulation", None, None, None, 1),
        ("level", hall.points[-1].pk, "paging", "speech", 1),
    ]
    insulation = trends[-2]
    assert (insulation["change_per_year"], insulation["direction"]) == (None, "cannot_tell")
    assert insulation["sentence"] == (
        "Cannot tell whether it changes: 0 readings with an expected value; it takes 3, a year or more from "
        "the first to the last."
    )
    assert insulation["readings"][0]["expected"] is None


def test_it_ends_with_the_day_asked_for_and_leaves_out_what_was_replaced(hall: Hall, client: Client) -> None:
    wrong = read(hall, 2024, 12.0)
    right = supersede_test(factories.change(hall.site), test=wrong, value=1.2).result
    later = read(hall, 2025, 1.21)

    def found(**asked: Any) -> list[list[int]]:
        trends = get(client, f"runs/{hall.run.pk}/trends", **asked)["trends"]
        return [[reading["test_id"] for reading in one["readings"]] for one in trends]

    assert found() == [[right.pk, later.pk]]
    assert found(as_of="2025-03-03") == [[right.pk]]
    assert client.get(f"/api/v1/runs/{hall.run.pk}/trends", {"as_of": "2024-03-03"}).status_code == 404
    assert get(client, f"runs/{hall.gangway_run.pk}/trends")["trends"] == []
