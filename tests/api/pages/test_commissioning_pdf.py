"""The commissioning record of a zone on paper: who proved what, with what, and what each test should read."""

from __future__ import annotations

import datetime as dt

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.pages.days import written
from sites.models import Instrument, User
from sites.services.instruments import instrument_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.test_closet_sheet_pdf import pages_of, tags_of
from tests.factories import prove, take_test
from tests.halls import Hall
from zones.models import Test

BUILT = factories.BUILT_ON


@pytest.fixture
def client(technician: User, logged_in: Caller) -> Client:
    return logged_in(technician)


@pytest.fixture
def meter(db: None) -> Instrument:
    """Its calibration ended the day before the hall was built."""
    return instrument_add(
        factories.change(),
        name="clamp 3",
        kind=Instrument.Kind.CLAMP_METER,
        serial="LK-0311",
        calibrated_on=BUILT - dt.timedelta(days=400),
        calibration_due_on=BUILT - dt.timedelta(days=1),
    ).result


def document_of(client: Client, hall: Hall, **query: str) -> bytes:
    answer = client.get(f"/zones/{hall.zone.pk}/commissioning.pdf", query)
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf"), answer.content
    return answer.content


def text_of(client: Client, hall: Hall, **query: str) -> str:
    return " ".join(pages_of(document_of(client, hall, **query)))


def test_it_says_who_proved_which_run_when_with_what_and_what_was_expected(
    hall: Hall, client: Client, meter: Instrument
) -> None:
    """30 speakers measured at 40 mA draw 1.2 A, 1.14 to 1.26 A; a clamp is good to 10 % during speech."""
    prove(hall.run)
    take_test(
        hall.run,
        kind=Test.Kind.RUN_CURRENT,
        state=Test.State.PAGING,
        value=1.21,
        instrument_record=meter,
        taken_at="14:05",
    )
    text = text_of(client, hall)
    assert f"Zone {hall.zone.name}, {hall.site.name}" in text
    assert "Every run of this zone is proven." in text
    assert "Run R1 Self-amplified, block" in text
    assert "fed by output 1 of GW 1, supply PS 1." in text
    assert text.count("Aoife Brandt") == 5
    for said in (
        "Tone trace",
        "1.21 A",
        "as expected: 1.14 A to 1.26 A, give or take 0.12 A",
        f"{written(BUILT)} 14:05",
        "clamp 3, serial LK-0311",
        f"calibration lapsed {written(BUILT - dt.timedelta(days=1))}",
    ):
        assert said in text, said


def test_what_is_left_is_said_and_only_the_newest_test_counts(hall: Hall, client: Client) -> None:
    prove(hall.run, technician="Runa Sollis")
    take_test(hall.run, kind=Test.Kind.POLARITY, passed=False, note="blue on white")
    text = text_of(client, hall)
    assert "Not proven: R1." in text
    assert "To be tested: polarity." in text
    assert "blue on white" in text
    assert text.count("Runa Sollis") == 3
    assert "R2" not in text, "the run of another zone"


def test_as_of_a_day_it_has_the_tests_of_that_day(hall: Hall, client: Client) -> None:
    prove(hall.run)
    later = BUILT + dt.timedelta(days=30)
    take_test(hall.run, kind=Test.Kind.SHORTS, passed=False, taken_on=later)
    assert "Every run of this zone is proven." in text_of(client, hall, on=BUILT.isoformat())
    assert "Not proven: R1." in text_of(client, hall, on=later.isoformat())


def test_it_is_tagged_and_the_same_bytes_each_time(hall: Hall, client: Client) -> None:
    prove(hall.run)
    document = document_of(client, hall)
    tags = tags_of(document)
    assert {"/H1", "/H2", "/Table", "/TH", "/Figure"} <= set(tags)
    assert document == document_of(client, hall)


def test_more_runs_cost_as_many_queries(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            document_of(client, hall)
        return len(sent)

    prove(hall.run)
    queries()
    before = queries()
    assert before <= 20
    for _ in range(3):
        run = factories.make_run(hall.block, zone=hall.zone, supply=hall.supply)
        factories.make_points(run, 2, hall.speaker)
        prove(run)
    assert queries() == before
