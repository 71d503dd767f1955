"""Due tests as a calendar: at an address that cannot be guessed and can be revoked, parsed by two
libraries."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import icalendar
import pytest
import vobject
from django.core.cache import cache
from django.test import Client

from api.calendars import due_tests, views
from api.server.lines import without_key
from sites.models import Contact, Customer, Secret, Site, User
from sites.models.access import Calendar, Grant
from sites.models.changes import Mark
from sites.services.closets import closet_alter, contact_add
from sites.services.people import user_deactivate
from sites.services.secrets import secret_add
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller, logged
from tests.halls import Hall, make_hall
from zones.models import DueTest, Run
from zones.recheck.batch import check
from zones.services.runs import run_end
from zones.services.tests import record_test

BUILT = factories.BUILT_ON
DAY = dt.timedelta(days=1)
UNTYPED: Any = vobject


@pytest.fixture(autouse=True)
def nobody_asked_before() -> None:
    cache.clear()


@pytest.fixture
def client(technician: User, logged_in: Caller) -> Client:
    return logged_in(technician)


def in_a_year(day: dt.date) -> dt.date:
    return day.replace(year=day.year + 1)


def made(client: Client, name: str = "desk") -> dict[str, Any]:
    answer = client.post("/api/v1/calendars", {"name": name}, content_type="application/json")
    assert answer.status_code == 201, answer.content
    found: dict[str, Any] = answer.json()
    return found


def read(address: str, **headers: str) -> Any:
    return Client().get(address, headers=headers)


def events(address: str) -> dict[str, dict[str, Any]]:
    """By uid, what the two libraries find alike."""
    body = read(address).content
    parsed: Any = icalendar.Calendar.from_ical(body)
    one = {
        str(event["UID"]): {
            "summary": str(event["SUMMARY"]),
            "day": event["DTSTART"].dt,
            "until": event["DTEND"].dt,
            "description": str(event["DESCRIPTION"]),
            "sequence": int(event["SEQUENCE"]),
        }
        for event in parsed.walk("VEVENT")
    }
    whole = UNTYPED.readOne(body.decode())
    other = {
        event.uid.value: {
            "summary": event.summary.value,
            "day": event.dtstart.value,
            "until": event.dtend.value,
            "description": event.description.value,
            "sequence": int(event.sequence.value),
        }
        for event in whole.contents.get("vevent", ())
    }
    assert one == other
    return one


def checked_on(site: Site, day: dt.date) -> None:
    Mark.objects.create(site=site)
    check([site.pk], now=dt.datetime.combine(day, dt.time(12), dt.UTC))


def prove(run: Run, day: dt.date) -> None:
    change = factories.change(run.site, happened_on=day)
    for kind in factories.PROVING:
        record_test(change, kind=kind, run=run, taken_on=day, passed=True)


@pytest.fixture
def due(hall: Hall) -> Hall:
    """Two runs that were never proven, due a year after they were built."""
    factories.keep_proofs(BUILT)
    factories.make_coverage(factories.make_contract(hall.site.customer), hall.site)
    checked_on(hall.site, BUILT)
    return hall


def test_one_event_a_site_and_day_that_follows_its_runs(due: Hall, client: Client) -> None:
    site, run, other = due.site, due.run, due.gangway_run
    address = made(client)["address"]
    first, second = (f"site-{site.pk}-run-{one.pk}-due@zonebook" for one in (run, other))
    before = events(address)
    place = due.closet.name
    assert before == {
        first: {
            "summary": f"Test due: 2 runs, {site.name}",
            "day": in_a_year(BUILT),
            "until": in_a_year(BUILT) + DAY,
            "description": f"R1 ({place}): no complete proof\nR2 ({place}): no complete proof",
            "sequence": before[first]["sequence"],
        }
    }
    # both are proven: the same event, changed, on its next day
    tested = BUILT + 30 * DAY
    prove(run, tested)
    prove(other, tested)
    checked_on(site, tested)
    after = events(address)
    assert list(after) == [first]
    assert after[first]["day"] == in_a_year(tested)
    assert after[first]["sequence"] > before[first]["sequence"]
    assert f"R1 ({place}): last proven on {tested}" in after[first]["description"]
    # the later one is proven alone: the event loses it, and is a newer one by that
    prove(other, tested + DAY)
    checked_on(site, tested + DAY)
    parted = events(address)
    assert (parted[first]["summary"], parted[first]["day"]) == (
        f"Test due: 1 run, {site.name}",
        in_a_year(tested),
    )
    assert parted[first]["sequence"] > after[first]["sequence"]
    assert parted[second]["day"] == in_a_year(tested + DAY)
    # both on one day again, then the first one alone: it takes the name along
    prove(run, tested + DAY)
    checked_on(site, tested + DAY)
    assert list(events(address)) == [first]
    prove(run, tested + 2 * DAY)
    checked_on(site, tested + 2 * DAY)
    assert {uid: (one["summary"], one["day"]) for uid, one in events(address).items()} == {
        first: (f"Test due: 1 run, {site.name}", in_a_year(tested + 2 * DAY)),
        second: (f"Test due: 1 run, {site.name}", in_a_year(tested + DAY)),
    }


def test_what_is_no_longer_due_vanishes(due: Hall, client: Client) -> None:
    address = made(client)["address"]
    assert len(events(address)) == 1
    DueTest.objects.all().delete()
    assert events(address) == {}


def test_an_event_whose_run_ends_is_a_newer_one(due: Hall, client: Client) -> None:
    address, ended = made(client)["address"], BUILT + 30 * DAY
    (before,) = events(address).values()
    run_end(factories.change(due.site, happened_on=ended), run=due.gangway_run)
    checked_on(due.site, ended)
    (after,) = events(address).values()
    assert (before["summary"], after["summary"]) == (
        f"Test due: 2 runs, {due.site.name}",
        f"Test due: 1 run, {due.site.name}",
    )
    assert after["sequence"] > before["sequence"]
    # nothing has changed since
    checked_on(due.site, ended + DAY)
    assert list(events(address).values()) == [after]


def test_an_event_says_where_it_is_and_when_it_was_changed(due: Hall, client: Client) -> None:
    def found() -> tuple[Any, Any]:
        parsed: Any = icalendar.Calendar.from_ical(read(address).content)
        (event,) = parsed.walk("VEVENT")
        return parsed, event

    site, address = due.site, made(client, "van 2")["address"]
    calendar, event = found()
    assert str(calendar["X-WR-CALNAME"]) == "van 2"
    assert (str(event["URL"]), str(event["LOCATION"])) == (f"http://testserver/sites/{site.pk}", site.name)
    assert str(event["TRANSP"]) == "TRANSPARENT", "nobody is busy all day"
    # when it was rechecked, and not when somebody reads it
    rechecked = dt.datetime.combine(BUILT, dt.time(12), dt.UTC)
    assert event["DTSTAMP"].dt == event["LAST-MODIFIED"].dt == rechecked
    site_alter(factories.change(site), address="4 Harbour Road", city="Merrow")
    assert str(found()[1]["LOCATION"]) == "4 Harbour Road, Merrow"


def test_a_survey_is_named_as_one(due: Hall, client: Client) -> None:
    tested = BUILT + 30 * DAY
    site_alter(factories.change(due.site), surveyed_on=tested)
    checked_on(due.site, tested)
    (event,) = events(made(client)["address"]).values()
    assert f"R1 ({due.closet.name}): surveyed on {tested}" in event["description"]


def test_of_too_many_runs_it_has_those_due_first(
    due: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = made(client)["address"]
    monkeypatch.setattr(due_tests, "_NAMED", 1)
    (event,) = events(address).values()
    assert event["description"] == f"R1 ({due.closet.name}): no complete proof\nand 1 more run"
    prove(due.run, BUILT + DAY)
    checked_on(due.site, BUILT + DAY)
    monkeypatch.setattr(due_tests, "MOST_RUNS", 1)
    (event,) = events(address).values()
    assert event["day"] == in_a_year(BUILT)


def test_the_address_is_shown_once_and_kept_as_a_hash(client: Client, technician: User) -> None:
    calendar = made(client, "van 2")
    key = re.fullmatch(r"http://testserver/calendars/([A-Za-z0-9_-]{43})\.ics", calendar["address"])
    assert key is not None
    row = Calendar.objects.get()
    assert (row.owner, row.name) == (technician, "van 2")
    assert key[1] not in str(vars(row))
    (listed,) = client.get("/api/v1/calendars").json()["items"]
    assert listed == {name: value for name, value in calendar.items() if name != "address"}
    assert client.get(f"/api/v1/calendars/{row.pk}").json() == listed


def test_it_can_be_revoked(due: Hall, client: Client, reader: User, logged_in: Caller) -> None:
    calendar = made(client)
    address = f"/api/v1/calendars/{calendar['id']}"
    etag = client.get(address)["ETag"]
    assert logged_in(reader).delete(address, headers={"If-Match": etag}).status_code == 404, "another's"
    assert client.delete(address).status_code == 428
    assert read(calendar["address"]).status_code == 200
    assert client.delete(address, headers={"If-Match": etag}).status_code == 204
    assert read(calendar["address"]).status_code == 404


def test_it_shows_only_what_its_owner_sees_now(due: Hall, client: Client, technician: User) -> None:
    site = factories.make_site(factories.make_customer())
    closet = factories.make_closet(site)
    other = make_hall(closet, factories.make_block(closet))
    factories.make_coverage(factories.make_contract(site.customer), site)
    checked_on(site, BUILT)
    assert DueTest.objects.filter(run=other.run).exists()
    address = made(client)["address"]
    assert [one["summary"] for one in events(address).values()] == [f"Test due: 2 runs, {due.site.name}"]
    granted = Grant.objects.create(user=technician, customer=site.customer)
    assert len(events(address)) == 2
    granted.delete()
    assert len(events(address)) == 1
    Grant.objects.filter(user=technician).delete()
    assert read(address).status_code == 404


def test_nothing_is_at_the_address_of_someone_who_is_switched_off(
    due: Hall, client: Client, technician: User
) -> None:
    address = made(client)["address"]
    User.objects.filter(pk=technician.pk).update(is_active=False)
    assert read(address).status_code == 404
    User.objects.filter(pk=technician.pk).update(is_active=True)
    assert read(address).status_code == 200
    user_deactivate(user=technician, by=None)
    assert not Calendar.objects.exists(), "for good: switched on again, they make another"


def test_no_secret_no_telephone_number_and_no_place_of_a_key(
    due: Hall, client: Client, technician: User
) -> None:
    site = due.site
    change = factories.change(site)
    closet_alter(change, closet=due.closet, key_location="behind the fire hose", opened_by="Security desk")
    site_alter(change, out_of_hours_phone="040 555 0199", address="4 Harbour Road")
    contact_add(change, closet=due.closet, role=Contact.Role.SITE, name="Ada", phone="040 555 0123")
    secret_add(
        user=technician, site=site, closet=due.closet, kind=Secret.Kind.DOOR, code="heron4711#", label="door"
    )
    text = read(made(client)["address"]).content.decode().replace("\r\n ", "")
    assert "4 Harbour Road" in text
    for hidden in ("fire hose", "040 555", "heron", "Ada", "Security desk"):
        assert hidden not in text, hidden


def test_a_program_asks_again_without_being_sent_the_same(due: Hall, client: Client) -> None:
    address = made(client)["address"]
    answer = read(address)
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    assert "private" in answer["Cache-Control"]
    assert read(address, **{"If-None-Match": answer["ETag"]}).status_code == 304
    assert Client().post(address).status_code == 405


def test_who_guesses_or_asks_too_often_is_refused(
    due: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = made(client)["address"]
    monkeypatch.setattr(views, "READ_PER_MINUTE", 2)
    monkeypatch.setattr(views, "MISSED_PER_MINUTE", 2)
    statuses = [read(address).status_code for _ in range(6)]  # a minute may begin between them
    assert statuses[:2] == [200, 200]
    assert 429 in statuses
    wrong = f"http://testserver/calendars/{'x' * 43}.ics"
    statuses = [read(wrong).status_code for _ in range(6)]
    assert statuses[:2] == [404, 404]
    assert 429 in statuses


def test_no_key_is_in_a_log(
    due: Hall, client: Client, technician: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(views, "READ_PER_MINUTE", 1)
    with logged("DEBUG") as stream:
        address = made(client)["address"]
        assert 429 in [read(address).status_code for _ in range(4)]
        User.objects.filter(pk=technician.pk).update(is_active=False)
        assert read(address).status_code == 404
        read("http://testserver/nothing-here")
        key = address.rpartition("/")[2].removesuffix(".ics")
        lines = [line for line in stream.getvalue().splitlines() if "django.db" not in line]
    assert without_key(f"/calendars/{key}.ics") == "/calendars/…", "as the web server writes it"
    assert any("/nothing-here" in line for line in lines)
    assert not [line for line in lines if key in line]


def test_a_token_makes_no_calendar(technician: User, with_token: Caller, customer: Customer) -> None:
    """Its address would outlive the token, and show what the token was kept from."""
    program = with_token(technician, customers=[customer])
    answer = program.post("/api/v1/calendars", {"name": "program"}, content_type="application/json")
    assert answer.status_code == 403
    assert not Calendar.objects.exists()


def test_a_person_has_twenty_at_most(client: Client) -> None:
    for number in range(20):
        made(client, f"desk {number}")
    answer = client.post("/api/v1/calendars", {"name": "one more"}, content_type="application/json")
    assert answer.status_code == 409
    assert "20 calendars" in answer.json()["detail"]
