"""How a closet is reached, as its sheet says it, and the contract of the day."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from sites.models import Closet, Contact, Secret
from sites.models.access import User
from sites.services.closets import closet_alter, contact_add
from sites.services.secrets import secret_add
from sites.services.sites import site_alter
from tests import factories
from tests.halls import Hall
from tests.zones.sheets.sheets import BUILT, LATER, sheet_of

pytestmark = pytest.mark.django_db


def test_how_it_is_reached(hall: Hall) -> None:
    change = factories.change(hall.site)
    site_alter(change, address="1 Quay Road", city="Merrow", dangers="moving vehicles", induction="quay talk")
    closet_alter(
        change,
        closet=hall.closet,
        floor="0",
        room="behind window 6",
        opened_by="Duty manager",
        opening_hours="05:30-23:00",
        key_location="Key 14 at the ticket office",
        dangers="low beam",
    )
    for role, name, closet in (
        (Contact.Role.SITE, "Ada of the site", None),
        (Contact.Role.SITE, "Bea of the closet", hall.closet),
        (Contact.Role.NETWORK, "Cleo", None),
    ):
        contact_add(change, role=role, name=name, closet=closet)
    other = factories.make_closet(hall.site)
    contact_add(change, role=Contact.Role.SITE, name="of another closet", closet=other)
    sheet = sheet_of(hall.closet)
    reach = sheet.reach
    assert reach.address == "1 Quay Road, Merrow"
    assert reach.place == "Ticket hall, floor 0, behind window 6"
    assert reach.dangers == ("moving vehicles", "low beam")
    assert reach.induction == ("quay talk",)
    assert [(one.name, one.of_closet) for one in reach.contacts.site] == [
        ("Bea of the closet", True),
        ("Ada of the site", False),
    ]
    assert [one.name for one in reach.contacts.network] == ["Cleo"]
    assert "Opened by: Duty manager (05:30-23:00). Key: Key 14 at the ticket office." in sheet.summary
    assert reach.unknown == ("No number to call out of hours is recorded.",)


def test_codes_are_counted_and_never_shown(hall: Hall, manager: User) -> None:
    write: dict[str, Any] = {"user": manager, "site": hall.site, "code": "4711-0815"}
    secret_add(**write, label="street door", kind=Secret.Kind.DOOR)
    secret_add(**write, label="panel", kind=Secret.Kind.ALARM, closet=hall.closet)
    other = factories.make_closet(hall.site)
    secret_add(**write, label="elsewhere", kind=Secret.Kind.DOOR, closet=other)
    codes = sheet_of(hall.closet).reach.codes
    assert (codes.door, codes.alarm, codes.other) == (1, 1, 0)
    assert codes.sentence.startswith(
        "1 door code and 1 alarm code are kept for this closet. None is ever written"
    )
    assert "one at a time, with a reason" in codes.sentence


def test_what_is_not_known_of_the_way_in_is_said(closet: Closet) -> None:
    unknown = sheet_of(closet).unknown
    for sentence in (
        "The address of the site is not recorded.",
        "Who opens it is not recorded.",
        "The location of the key is not recorded.",
        "No number to call out of hours is recorded.",
    ):
        assert sentence in unknown


@pytest.mark.parametrize(
    ("first_day", "end_day", "covered", "said"),
    [
        (BUILT, None, True, "Under contract M 7: respond within 8 hours."),
        (
            BUILT,
            BUILT + dt.timedelta(days=1),
            True,
            f"Under contract M 7: respond within 8 hours. Covered until {BUILT}.",
        ),
        (
            BUILT - dt.timedelta(days=30),
            BUILT,
            False,
            f"Not under contract on {BUILT}: M 7 covered it until {BUILT - dt.timedelta(days=1)}.",
        ),
        (LATER, None, False, f"Not under contract on {BUILT}: M 7 covers it from {LATER} on."),
    ],
)
def test_the_contract_on_the_day(
    closet: Closet, first_day: dt.date, end_day: dt.date | None, covered: bool, said: str
) -> None:
    contract = factories.make_contract(closet.site.customer, reference="M 7")
    factories.make_coverage(contract, closet.site, first_day, end_day)
    cover = sheet_of(closet).cover
    assert (cover.covered, cover.sentence, cover.contract) == (covered, said, contract)


def test_a_site_that_no_contract_ever_covered(closet: Closet) -> None:
    assert sheet_of(closet).cover.sentence == f"Not under contract on {BUILT}."
