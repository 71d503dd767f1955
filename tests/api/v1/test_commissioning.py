"""The commissioning record of a zone over REST: what its PDF prints."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.test import Client

from sites.models import Instrument, User
from sites.services.instruments import instrument_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.conventions.test_problems import problem
from tests.api.v1.asking import get
from tests.factories import prove, take_test
from tests.halls import Hall
from zones.models import Test

BUILT = factories.BUILT_ON


@pytest.fixture
def client(technician: User, with_token: Caller) -> Client:
    return with_token(technician)


def record_of(client: Client, hall: Hall, **query: str) -> Any:
    return get(client, f"zones/{hall.zone.pk}/commissioning", **query)


def test_each_run_has_its_proof_and_its_newest_tests(hall: Hall, client: Client) -> None:
    """30 speakers measured at 40 mA draw 1.2 A; each is known to 5 %, so 1.14 to 1.26 A."""
    prove(hall.run)
    meter = instrument_add(
        factories.change(),
        name="clamp 3",
        kind=Instrument.Kind.CLAMP_METER,
        serial="LK-0311",
        calibration_due_on=BUILT - dt.timedelta(days=1),
    ).result
    for value in (1.4, 1.21):
        take_test(
            hall.run,
            kind=Test.Kind.RUN_CURRENT,
            state=Test.State.PAGING,
            value=value,
            instrument_record=meter,
        )
    record = record_of(client, hall)
    assert (record["zone"], record["proven"]) == (hall.zone.name, True)
    assert record["sentence"] == "Every run of this zone is proven."
    (run,) = record["runs"]
    assert (run["name"], run["fed_by"]) == ("R1", ["output 1 of GW 1", "supply PS 1"])
    assert [one["verdict"] for one in run["of_proof"]] == ["passed"] * 4
    assert [one["kind"] for one in run["tests"]] == [*factories.PROVING, "run_current"]
    current = run["tests"][-1]
    assert (current["value"], current["unit"], current["verdict"]) == (1.21, "A", "as_expected")
    expected = current["expected"]
    assert [expected[name] for name in ("low", "likely", "high")] == pytest.approx([1.14, 1.2, 1.26])
    assert (current["instrument"], current["serial"]) == ("clamp 3", "LK-0311")
    assert current["calibration_lapsed"] is True
    assert record["of_zone"] == []


def test_what_is_left_is_said_as_of_a_day(hall: Hall, client: Client) -> None:
    prove(hall.run)
    take_test(hall.run, kind=Test.Kind.SHORTS, passed=False, taken_on=BUILT + dt.timedelta(days=30))
    assert record_of(client, hall, as_of=BUILT.isoformat())["proven"] is True
    record = record_of(client, hall)
    assert (record["proven"], record["sentence"]) == (False, "Not proven: R1.")
    assert [one["passed"] for one in record["runs"][0]["tests"]] == [True, False, True, True]


def test_a_day_before_the_zone_stood_is_refused(hall: Hall, client: Client) -> None:
    before = (BUILT - dt.timedelta(days=1)).isoformat()
    answer = client.get(f"/api/v1/zones/{hall.zone.pk}/commissioning?as_of={before}")
    assert before in problem(answer, 404, "not_found")["detail"]
