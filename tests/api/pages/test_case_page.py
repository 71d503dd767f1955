"""The page of a case: its findings, the change behind them, and its ticket."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.test import Client

from sites.changes.services import change_accept
from sites.models import ChangeSet, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.api.pages.test_finding_page import ADDED, facts, hidden
from tests.halls import Hall, more_speakers
from zones.models import Case, Finding, Point
from zones.recheck.batch import check


@pytest.fixture
def added(hall: Hall) -> ChangeSet:
    """Twelve more: 52 speakers at 40 mA are 2.08 A, of which the 2 A supply may deliver 1.60 A."""
    made = change_accept(
        factories.change(hall.site, happened_on=ADDED, reason="more sound"), more_speakers(hall, 12)
    ).change_set
    check([hall.site.pk])
    return made


@pytest.fixture
def case(hall: Hall, added: ChangeSet) -> Case:
    return Finding.objects.get(code="supply_current", subject_id=hall.supply.pk).case


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def page(client: Client, case: Case) -> str:
    answer = client.get(f"/cases/{case.pk}")
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def test_it_lists_its_findings_with_one_line_of_zones_and_the_change(
    client: Client, case: Case, added: ChangeSet
) -> None:
    html = page(client, case)
    for finding in case.findings.filter(cleared_at=None):
        assert f'<a href="/findings/{finding.pk}">finding {finding.pk}</a>, open' in html
    assert "2.08 A" in html
    assert "Gangway, Ticket hall" in html or "Ticket hall, Gangway" in html
    assert f'<a href="/changes/{added.pk}">Change set {added.pk}</a>' in html


def test_where_no_time_to_respond_is_agreed_it_says_why_at_its_head(
    client: Client, case: Case, hall: Hall
) -> None:
    """Of a contract it names the time; what is withheld from its list names whose setting that is."""
    without = page(client, case)
    assert re.search(r"<p>Not under contract on \d+ \w+ \d{4}: no response time is agreed.</p>", without)
    factories.make_coverage(factories.make_contract(hall.site.customer, response_hours=8), hall.site)
    assert "<p>Respond by <strong>" in page(client, case)
    Case.objects.filter(pk=case.pk).update(withheld=True)
    withheld = page(client, case)
    assert "<p>Withheld: nothing is past for certain, and contract " in withheld
    assert "Respond by" not in withheld


def test_a_ticket_is_stored_and_a_blank_removes_it(client: Client, case: Case, dispatcher: User) -> None:
    for ticket in ("T-40718", ""):
        shown = hidden(page(client, case))
        answer = client.post(f"/cases/{case.pk}", {"act": "ticket", "ticket_reference": ticket, **shown})
        assert answer.status_code == 303
        case.refresh_from_db()
        assert case.ticket_reference == ticket
        shown_ticket = page(client, case).split('<h2 id="ticket">')[1].split("</section>")[0]
        assert (ticket or "not recorded") in shown_ticket


def test_a_ticket_that_came_in_between_is_named_with_who_set_it(
    client: Client, case: Case, technician: User, logged_in: Caller
) -> None:
    shown = hidden(page(client, case))
    theirs = logged_in(technician)
    first = theirs.post(f"/cases/{case.pk}", {"act": "ticket", "ticket_reference": "T-1", **shown})
    assert first.status_code == 303
    second = client.post(f"/cases/{case.pk}", {"act": "ticket", "ticket_reference": "T-2", **shown})
    html = second.content.decode()
    assert second.status_code == 412
    assert "Rune Vale set the ticket to T-1." in html
    assert 'value="T-2"' in html


def test_a_ticket_that_is_too_long_stays_beside_what_would_be_right(client: Client, case: Case) -> None:
    longest = Case._meta.get_field("ticket_reference").max_length or 0
    shown, ticket = hidden(page(client, case)), "T" * (longest + 1)
    answer = client.post(f"/cases/{case.pk}", {"act": "ticket", "ticket_reference": ticket, **shown})
    html = answer.content.decode()
    assert answer.status_code == 400
    assert f"Expected at most {longest} characters; this has {longest + 1}." in html
    assert f'value="{ticket}"' in html


def test_a_cleared_one_says_by_what_and_keeps_its_findings(client: Client, case: Case, hall: Hall) -> None:
    last = list(Point.objects.filter(run=hall.run).order_by("-rank")[:12])
    change = factories.change(hall.site, happened_on=ADDED + dt.timedelta(days=1), reason="too much")
    removed = change_accept(
        change, [{"op": "point.remove", "point_id": point.pk} for point in last]
    ).change_set
    check([hall.site.pk])
    html = page(client, case)
    assert "2.08 A, limit 1.60 A before" in html
    assert f'<a href="/changes/{removed.pk}">Change set {removed.pk}</a>, 13 Jun 2024: too much' in html
    assert '<h2 id="cleared">Cleared</h2>' in html
    assert "Respond by" not in html
    assert facts(html)["Since"] == "between 4 Mar 2024 and 12 Jun 2024"
