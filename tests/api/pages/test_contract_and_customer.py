"""A contract says what is owed and what was done; a customer has contracts, sites and contacts."""

from __future__ import annotations

import datetime as dt
import io

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from pypdf import PdfReader

from api.pages.days import in_sentence
from api.pages.fleet.contract import quarter_of
from sites.models import Contact, Contract, User
from sites.response import agreed_text
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in, text_of
from tests.api.v1.asking import get
from tests.api.v1.test_findings import add_speakers
from tests.halls import Hall
from zones.models import Test
from zones.recheck.batch import check
from zones.services.visits import visit_record

MOST_QUERIES = 20


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def test_a_contract_says_what_is_owed_and_what_is_past(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(
        hall.site.customer, response_hours=8, cover_hours=Contract.CoverHours.WORKING_HOURS,
        working_days=["monday", "tuesday", "wednesday", "thursday", "friday"], working_from="08:00",
        working_until="17:00", probably_past_opens_cases=False, holidays=[dt.date(2026, 12, 25)],
    )  # fmt: skip
    factories.make_coverage(contract, hall.site)
    add_speakers(hall, 12)
    check([hall.site.pk])
    html = html_of(client, f"/contracts/{contract.pk}")
    assert "8 hours, counted in working hours: Monday to Friday, 08:00 to 17:00 by the clock of" in html
    assert "the site, except on 1 holiday." in html
    assert "<dt>A case opens</dt><dd>only when a limit is past</dd>" in html
    (case,) = get(client, "cases", contract_id=contract.pk, verdict="past")["items"]
    assert in_sentence(case["response"]) in html
    assert "It covers no site today" not in html
    assert (
        f'<a href="/sites/{hall.site.pk}">{hall.site.name}</a> <span class="verdict past">Past</span>' in html
    )
    assert "1 case opened, 0 cases cleared." in html


@pytest.mark.parametrize("suffix", ["", ".pdf"])
def test_the_visits_of_the_quarter_are_told_with_what_was_done(
    hall: Hall, client: Client, suffix: str
) -> None:
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    today = timezone.localdate()
    for day, name in ((today, "Rune Aske"), (quarter_of(today) - dt.timedelta(days=1), "Ines Lark")):
        change = factories.change(hall.site, happened_on=day)
        visit = visit_record(
            change, closet=hall.closet, visited_on=day, technician=name, job_reference="T-9"
        ).result
        factories.take_test(hall.run, kind=Test.Kind.SHORTS, passed=False, taken_on=day, visit=visit)
    answer = client.get(f"/contracts/{contract.pk}{suffix}")
    if suffix:
        pages = PdfReader(io.BytesIO(answer.content)).pages
        said = " ".join(" ".join(page.extract_text() for page in pages).split())
        assert "Rune Aske, job T-9" in said
    else:
        said = text_of(answer.content.decode())
        assert f"; {hall.site.name}; Rune Aske; job T-9: 1 test, 1 failed; no change" in said
    assert "1 test, 1 failed; no change" in said
    assert "Ines Lark" not in said


def test_a_lapsed_contract_says_that_first(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    yesterday = timezone.localdate() - dt.timedelta(days=1)
    factories.make_coverage(contract, hall.site, end_day=yesterday)
    html = html_of(client, f"/contracts/{contract.pk}")
    last = yesterday - dt.timedelta(days=1)
    assert f"It covered its last site until {last.day} " in html
    assert html.index("It covers no site today.") < html.index("<dl>")
    assert hall.site.name not in html


def test_the_report_says_on_paper_what_the_page_says(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer, response_hours=8)
    factories.make_coverage(contract, hall.site)
    add_speakers(hall, 12)
    check([hall.site.pk])
    answer = client.get(f"/contracts/{contract.pk}.pdf")
    assert answer["Content-Type"] == "application/pdf"
    (page,) = PdfReader(io.BytesIO(answer.content)).pages
    text = " ".join(page.extract_text().split())
    (case,) = get(client, "cases", contract_id=contract.pk, verdict="past")["items"]
    parts = [
        f"Contract {contract.reference}", hall.site.customer.name, "8 hours", "1 case is past",
        hall.site.name, case["findings"][0]["sentence"],
        in_sentence(case["findings"][0]["attribution"]["sentence"]),
        "(life safety not recorded)", in_sentence(case["response"]), "Sites covered today",
        "1 case opened, 0 cases cleared.",
    ]  # fmt: skip
    places = [text.find(part) for part in parts]
    assert min(places) >= 0, dict(zip(parts, places, strict=True))
    assert places == sorted(places)
    assert client.get(f"/contracts/{contract.pk}.pdf").content == answer.content


def test_a_lapsed_contract_says_that_on_paper_too(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site, end_day=timezone.localdate())
    answer = client.get(f"/contracts/{contract.pk}.pdf")
    (page,) = PdfReader(io.BytesIO(answer.content)).pages
    text = page.extract_text()
    assert text.index("It covers no site today.") < text.index("What is owed")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"response_hours": None}, "No response time is agreed."),
        ({"response_hours": 1, "cover_hours": "around_the_clock"}, "1 hour, counted around the clock."),
        (
            {
                "response_hours": 24,
                "cover_hours": "working_hours",
                "working_days": ["saturday", "monday", "wednesday"],
                "working_from": "06:00",
                "working_until": "20:00",
            },
            (
                "24 hours, counted in working hours: Monday, Wednesday and Saturday, 06:00 to 20:00 by the "
                "clock of the site."
            ),
        ),
    ],
)
def test_what_is_agreed_is_one_sentence(fields: dict[str, object], said: str) -> None:
    assert agreed_text(Contract(**fields)) == said


@pytest.mark.parametrize(
    ("day", "first"),
    [("2026-11-29", "2026-10-01"), ("2026-01-01", "2026-01-01"), ("2026-06-30", "2026-04-01")],
)
def test_a_quarter_begins_on(day: str, first: str) -> None:
    assert quarter_of(dt.date.fromisoformat(day)) == dt.date.fromisoformat(first)


def test_sites_and_change_sets_of_a_contract_are_those_that_it_covers(hall: Hall, client: Client) -> None:
    mine, other = (factories.make_contract(hall.site.customer) for _ in range(2))
    today = timezone.localdate()
    factories.make_coverage(mine, hall.site, end_day=today)
    factories.make_coverage(other, hall.site, first_day=today)
    on = today.isoformat()
    assert [one["id"] for one in get(client, "sites", contract_id=mine.pk)["items"]] == [hall.site.pk]
    assert get(client, "sites", contract_id=mine.pk, covered_on=on)["items"] == []
    assert [one["id"] for one in get(client, "sites", contract_id=other.pk, covered_on=on)["items"]] == [
        hall.site.pk
    ]
    assert get(client, "change-sets", contract_id=mine.pk)["items"]
    none = factories.make_contract(hall.site.customer)
    assert get(client, "change-sets", contract_id=none.pk)["items"] == []


def test_a_customer_has_contracts_sites_with_their_worst_verdict_and_contacts(
    hall: Hall, client: Client
) -> None:
    contract = factories.make_contract(hall.site.customer)
    contact_add(
        factories.change(hall.site), closet=hall.closet, role=Contact.Role.SITE, name="Maeve Lidgate",
        phone="902-555-0111",
    )  # fmt: skip
    add_speakers(hall, 12)
    check([hall.site.pk])
    html = html_of(client, f"/customers/{hall.site.customer_id}")
    assert f'<a href="/contracts/{contract.pk}">{contract.reference}</a>' in html
    assert (
        f'<a href="/sites/{hall.site.pk}">{hall.site.name}</a> <span class="verdict past">Past</span>' in html
    )
    assert 'href="tel:9025550111">902-555-0111</a>' in html
    assert "site contact" in html


def test_a_person_who_is_called_for_two_sites_stands_once_with_both(hall: Hall, client: Client) -> None:
    other = factories.make_site(hall.site.customer, name="Upper Pier")
    there = factories.make_closet(other)
    for closet in (hall.closet, there):
        contact_add(
            factories.change(closet.site), closet=closet, role=Contact.Role.NETWORK, name="City hall",
            phone="506-555-0122", hours="weekdays",
        )  # fmt: skip
    contact_add(
        factories.change(other), closet=there, role=Contact.Role.SITE, name="City hall",
        phone="506-555-0122",
    )  # fmt: skip
    text, both = (
        text_of(html_of(client, f"/customers/{hall.site.customer_id}")),
        f"{hall.site.name}, Upper Pier",
    )
    assert text.count("506-555-0122") == 2, "once in each role"
    assert f"City hall 506-555-0122 customer's network contact, weekdays: {both}" in text
    assert "City hall 506-555-0122 site contact: Upper Pier" in text


@pytest.mark.parametrize("page", ["contracts", "customers"])
def test_many_sites_cost_as_much_as_one(page: str, hall: Hall, manager: User, logged_in: Caller) -> None:
    client = logged_in(manager)
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    add_speakers(hall, 12)
    check([hall.site.pk])
    path = f"/{page}/{contract.pk if page == 'contracts' else hall.site.customer_id}"

    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            html_of(client, path)
        return len(sent)

    queries()
    before = queries()
    assert before <= MOST_QUERIES
    for _ in range(10):
        factories.make_coverage(contract, factories.make_site(hall.site.customer))
    assert queries() == before
