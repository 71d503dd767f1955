"""The tests of a run at the wall: stored one by one, in the order of work, and what was expected shown after
the number is in."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from api.pages.days import written
from api.pages.zones import run_tests
from sites.changes.making import today_in
from sites.models import EndpointFacts, Instrument, User
from sites.services.instruments import instrument_add
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import text_of
from tests.halls import Hall
from zones.models import Test, Visit
from zones.recheck.batch import check

pytestmark = pytest.mark.django_db
CURRENT_IDLE, CURRENT_PAGING, VOLTAGE = 5, 6, 7
"""Places in the order of work of a self-amplified run, after continuity, shorts, polarity and tone trace."""


@pytest.fixture
def client(technician: User, logged_in: Caller, hall: Hall) -> Client:
    check([hall.site.pk])
    return logged_in(technician)


@pytest.fixture
def address(hall: Hall) -> str:
    return reverse("run-tests", kwargs={"id": hall.run.pk})


def store(client: Client, address: str, **said: str) -> Any:
    return client.post(
        address, {"act": "take", "technician": "", "instrument_record_id": "", "note": "", **said}
    )


def shown(client: Client, address: str) -> str:
    answer = client.get(address)
    assert answer.status_code == 200
    return text_of(answer.content.decode())


def test_what_passes_goes_on_to_the_next(client: Client, address: str, hall: Hall) -> None:
    for number, title in enumerate(["Continuity", "Shorts", "Polarity", "Tone trace"], start=1):
        step = f"{address}?step={number}"
        assert f"{title} Test {number} of 8 of run R1" in shown(client, step)
        answer = store(client, step, passed="true", technician="Ida Lark")
        assert (answer.status_code, answer["Location"]) == (303, f"?step={number + 1}&technician=Ida+Lark")
    tests = Test.objects.filter(run=hall.run).order_by("id")
    assert [(one.kind, one.passed, one.technician) for one in tests] == [
        (kind, True, "Ida Lark") for kind in ("continuity", "shorts", "polarity", "tone_trace")
    ]
    assert {one.change_set.reason for one in tests} == {"Tests of run R1"}
    assert "Proven: all four tests passed since its wiring last changed." in shown(
        client, f"{address}?step=9"
    )


def test_what_it_should_read_is_shown_after_the_number_is_in(
    client: Client, address: str, hall: Hall
) -> None:
    """Thirty speakers of 40 mA, measured: 1.2 A ± 5 %. 1.50 A at speech, give or take 10 %, is at least
    1.35 A."""
    step = f"{address}?step={CURRENT_PAGING}"
    before = shown(client, step)
    assert "Run current at the block, paging" in before
    assert "1.14" not in before
    answer = store(client, step, value="1,50")
    test = Test.objects.get(run=hall.run)
    assert (test.value, test.state, test.signal) == (1.5, "paging", "speech")
    assert answer["Location"] == f"?step={CURRENT_PAGING}&taken={test.pk}"
    after = shown(client, f"{address}{answer['Location']}")
    assert "1.50 A" in after
    assert "Outside what is expected by 0.09 A: 1.14 A to 1.26 A, give or take 0.15 A." in after
    assert "Keep it and go on" in after


def test_read_again_takes_the_place_of_the_first(client: Client, address: str, hall: Hall) -> None:
    there = store(client, f"{address}?step={CURRENT_PAGING}", value="1.50")["Location"]
    page = client.get(f"{address}{there}").content.decode()
    (again,) = re.findall(r'href="(\?step=6[^"]*again=\d+)"', page)
    answer = store(client, f"{address}{again.replace('&amp;', '&')}", value="1.21")
    first, second = Test.objects.filter(run=hall.run).order_by("id")
    assert (second.supersedes, second.value, second.kind) == (first, 1.21, first.kind)
    assert "As expected: 1.14 A to 1.26 A" in shown(client, f"{address}{answer['Location']}")


def test_a_voltage_is_read_where_the_record_has_the_least(client: Client, address: str, hall: Hall) -> None:
    assert "Read at 30." in shown(client, f"{address}?step={VOLTAGE}")
    store(client, f"{address}?step={VOLTAGE}", value="21.5")
    assert Test.objects.get(run=hall.run).point == hall.points[-1]


def test_day_and_time_are_those_of_the_site(
    client: Client, address: str, hall: Hall, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half past two at night UTC is half past eleven the evening before in Halifax, by its summer time (three
    hours behind)."""
    site_alter(factories.change(hall.site), time_zone="America/Halifax")
    night = dt.datetime(2026, 7, 2, 2, 30, tzinfo=dt.UTC)
    monkeypatch.setattr(run_tests, "timezone", SimpleNamespace(now=lambda: night))
    store(client, f"{address}?step=1", passed="true")
    test = Test.objects.get(run=hall.run)
    assert (test.taken_on.isoformat(), test.taken_at) == ("2026-07-01", "23:30")


def test_as_found_is_said_once_and_kept(client: Client, address: str, hall: Hall) -> None:
    answer = store(client, f"{address}?step=1", passed="true", taken_as="as_found")
    assert answer["Location"] == "?step=2&taken_as=as_found"
    assert Test.objects.get(run=hall.run).taken_as == "as_found"
    page = client.get(f"{address}{answer['Location']}").content.decode()
    assert '<option value="as_found" selected>as found</option>' in page


def test_the_tests_of_a_technician_at_a_closet_on_a_day_are_a_visit(
    client: Client, address: str, hall: Hall
) -> None:
    """It begins with the first of them, on any run there; another technician is another visit."""
    said = {"technician": "Ida Lark", "job": "T-40718"}
    there = store(client, f"{address}?step=1", passed="true", **said)["Location"]
    assert there == "?step=2&technician=Ida+Lark&job=T-40718"
    assert 'value="T-40718"' in client.get(f"{address}{there}").content.decode()
    gangway = reverse("run-tests", kwargs={"id": hall.gangway_run.pk})
    store(client, f"{gangway}?step={CURRENT_IDLE}", value="0.4", **said | {"technician": "ida lark"})
    store(client, f"{address}?step=2", passed="true", technician="Rune Aske")
    store(client, f"{address}?step=2", passed="true")
    visit, other = Visit.objects.order_by("id")
    assert (visit.closet, visit.technician, visit.job_reference) == (hall.closet, "Ida Lark", "T-40718")
    assert visit.visited_on == today_in(hall.site.time_zone)
    tests = Test.objects.order_by("id")
    assert [one.visit for one in tests] == [visit, visit, other, None]
    assert [one.change_set.job_reference for one in tests] == ["T-40718", "T-40718", "", ""]


@pytest.mark.parametrize("typed", ["much", "-1"])
def test_a_reading_that_is_refused_begins_no_visit(client: Client, address: str, typed: str) -> None:
    store(client, f"{address}?step={CURRENT_IDLE}", value=typed, technician="Ida Lark")
    assert not Visit.objects.exists()


@pytest.mark.parametrize("typed", ["much", "", "nan", "1e999", "1,234.5"])
def test_what_is_no_number_is_told_in_the_unit(client: Client, address: str, typed: str) -> None:
    page = text_of(store(client, f"{address}?step={CURRENT_IDLE}", value=typed).content.decode())
    assert "Type the reading in A as a number, such as 0.25." in page
    assert "JSON" not in page


@pytest.mark.parametrize(
    ("step", "said", "place"),
    [
        (CURRENT_IDLE, {"value": "much"}, "value"),
        (CURRENT_IDLE, {"value": ""}, "value"),
        (CURRENT_IDLE, {"value": "-1"}, "value"),
        (1, {}, None),
    ],
    ids=["no number", "nothing", "below nothing", "neither"],
)
def test_what_is_refused_stays_beside_what_would_be_right(
    client: Client, address: str, step: int, said: Mapping[str, str], place: str | None
) -> None:
    answer = store(client, f"{address}?step={step}", note="cramped", **said)
    assert answer.status_code == 400
    page = answer.content.decode()
    assert "cramped" in page
    assert ('id="take-value_error"' in page) is (place == "value")
    assert 'role="alert"' in page
    assert not Test.objects.exists()


def test_the_instrument_is_noted_and_kept_for_the_next(client: Client, address: str, hall: Hall) -> None:
    kind = Instrument.Kind.CLAMP_METER
    meter = instrument_add(factories.change(happened_on=None), name="clamp 3", kind=kind).result
    answer = store(client, f"{address}?step={CURRENT_IDLE}", value="0.3", instrument_record_id=str(meter.pk))
    assert f"instrument={meter.pk}" in answer["Location"]
    assert Test.objects.get(run=hall.run).instrument == "clamp 3"
    page = client.get(f"{address}?step={CURRENT_PAGING}&instrument={meter.pk}").content.decode()
    assert re.search(rf'<option value="{meter.pk}" selected>clamp 3</option>', page)


def test_an_instrument_whose_calibration_lapsed_says_so_before_and_after(
    client: Client, address: str, hall: Hall
) -> None:
    """On its last day a calibration counts."""
    today = today_in(hall.site.time_zone)
    for name, days in (("clamp 3", -1), ("clamp 4", 0)):
        instrument_add(
            factories.change(happened_on=None), name=name, kind=Instrument.Kind.CLAMP_METER,
            calibrated_on=today - dt.timedelta(days=300), calibration_due_on=today + dt.timedelta(days=days),
        )  # fmt: skip
    lapsed, valid = Instrument.objects.order_by("name")
    said = shown(client, f"{address}?step={CURRENT_IDLE}")
    assert f"clamp 3, calibration lapsed on {written(today - dt.timedelta(days=1))} clamp 4 " in said
    for meter, marked in ((lapsed, True), (valid, False)):
        there = store(
            client, f"{address}?step={CURRENT_IDLE}", value="0.3", instrument_record_id=str(meter.pk)
        )["Location"]
        said = shown(client, f"{address}{there}")
        assert (f"The calibration of {meter.name} lapsed on" in said) is marked


def test_the_device_is_put_into_service_by_name_and_reason(client: Client, address: str, hall: Hall) -> None:
    done = client.get(f"{address}?step=9").content.decode()
    (version,) = re.findall(r'name="version" value="([^"]+)"', done)
    body = {"act": "serve", "version": version.replace("&quot;", '"'), "reason": "proven today"}
    assert client.post(f"{address}?step=9", body).status_code == 303
    facts = EndpointFacts.objects.filter(endpoint=hall.gateway).order_by("step").last()
    assert facts is not None
    assert (facts.service, facts.change_set.reason) == ("in_service", "proven today")
    assert "Put into service" not in shown(client, f"{address}?step=9")


def test_a_test_of_another_run_is_not_there(client: Client, address: str, hall: Hall) -> None:
    other = factories.make_run(hall.block, name="R9")
    store(client, reverse("run-tests", kwargs={"id": other.pk}) + "?step=1", passed="true")
    test = Test.objects.get(run=other)
    assert client.get(f"{address}?step=1&taken={test.pk}").status_code == 404
    assert store(client, f"{address}?step=1&again={test.pk}", passed="true").status_code == 404


def test_a_dispatcher_takes_none(logged_in: Caller, dispatcher: User, address: str, hall: Hall) -> None:
    client = logged_in(dispatcher)
    assert client.get(address).status_code == 403
    assert store(client, f"{address}?step=1", passed="true").status_code == 403
    assert "Take the tests" not in client.get(f"/runs/{hall.run.pk}").content.decode()
