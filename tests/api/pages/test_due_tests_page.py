"""The page of due tests: by contract, customer, site and month, in the order of the API; and calendars."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.test import Client

from api.pages.fleet.due_tests import RUNS
from api.pages.fleet.fleet import end_of_month
from sites.models import Contract, User
from sites.models.access import Calendar
from sites.services.calendars import MOST
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import MOST_BYTES, html_of, queries_of, text_of
from tests.halls import Hall, make_hall
from zones.models import DueTest, Run

MARCH, APRIL = dt.date(2031, 3, 31), dt.date(2031, 4, 1)


@pytest.fixture
def contract(hall: Hall) -> Contract:
    return factories.make_contract(hall.site.customer)


def due(run: Run, contract: Contract, day: dt.date, **more: Any) -> DueTest:
    more = {"surveyed": False, **more}
    return DueTest.objects.create(site=run.site, run=run, contract=contract, due_on=day, **more)


def text(client: Client, **query: str) -> str:
    return text_of(html_of(client, "tests/due", **query))


def test_runs_stand_under_their_day_site_and_contract_with_their_last_proof(
    hall: Hall, contract: Contract, client: Client
) -> None:
    due(hall.run, contract, MARCH, proven_on=dt.date(2030, 3, 31))
    due(hall.gangway_run, contract, MARCH)
    html = html_of(client, "tests/due")
    said = text_of(html)
    assert (
        f"March 2031 31 Mar 2031, {hall.site.name} 2 runs; contract {contract.reference} "
        f"Last proven on 31 Mar 2030: {hall.run.name} No complete proof: {hall.gangway_run.name}" in said
    )
    assert "2 runs to be proven again" in said
    assert "Overdue" not in said
    for address in (f"/sites/{hall.site.pk}", f"/contracts/{contract.pk}", f"/runs/{hall.run.pk}#tests"):
        assert f'href="{address}"' in html


def test_runs_of_one_proof_stand_together_and_a_survey_is_named(
    hall: Hall, contract: Contract, client: Client
) -> None:
    surveyed = {"proven_on": dt.date(2030, 3, 31), "surveyed": True}
    for run in (hall.run, hall.gangway_run):
        due(run, contract, MARCH, **surveyed)
    assert f"Surveyed on 31 Mar 2030: {hall.run.name} , {hall.gangway_run.name} " in text(client)


def test_they_are_in_the_order_of_the_api_under_their_months(
    hall: Hall, contract: Contract, client: Client
) -> None:
    """The later day is stored first."""
    due(hall.run, contract, APRIL)
    due(hall.gangway_run, contract, MARCH)
    html = html_of(client, "tests/due")
    assert re.findall(r"<h2>(.*?)</h2>", html) == ["March 2031", "April 2031"]
    assert html.index(f"/runs/{hall.gangway_run.pk}") < html.index(f"/runs/{hall.run.pk}")


def test_what_is_over_at_its_site_is_overdue(hall: Hall, contract: Contract, client: Client) -> None:
    today = dt.datetime.now(dt.UTC).date()  # two days apart, so that no time zone matters
    due(hall.run, contract, today - dt.timedelta(days=2))
    due(hall.gangway_run, contract, today + dt.timedelta(days=2))
    first, second = re.findall(r"<article>(.*?)</article>", html_of(client, "tests/due"), re.DOTALL)
    assert "Overdue" in first
    assert "Overdue" not in second


def test_they_are_chosen_by_contract_customer_site_and_month(
    hall: Hall, contract: Contract, client: Client
) -> None:
    other = factories.make_contract(hall.site.customer)
    due(hall.run, contract, MARCH)
    due(hall.gangway_run, other, APRIL)

    def found(**query: Any) -> list[int]:
        html = html_of(client, "tests/due", **{name: str(one) for name, one in query.items()})
        return [int(one) for one in re.findall(r'href="/runs/(\d+)#tests"', html)]

    both = [hall.run.pk, hall.gangway_run.pk]
    assert found() == found(customer_id=hall.site.customer_id) == found(site_id=hall.site.pk) == both
    assert found(contract_id=other.pk) == [hall.gangway_run.pk]
    assert found(month="2031-03") == [hall.run.pk]
    assert found(month="2031-04") == [hall.gangway_run.pk]
    # as the form sends what is not chosen
    assert found(contract_id="", month="", site_id=hall.site.pk) == both
    said = text(client, contract_id=str(other.pk), month="2031-04")
    assert "Tests due in April 2031" in said
    assert f"Of contract {other.reference} . Show all" in said


def test_the_form_keeps_what_is_chosen(hall: Hall, contract: Contract, client: Client) -> None:
    html = html_of(
        client, "tests/due", contract_id=str(contract.pk), month="2031-03", site_id=str(hall.site.pk)
    )
    assert f'<option value="{contract.pk}" selected>' in html
    assert 'value="2031-03"' in html
    assert f'<input type="hidden" name="site_id" value="{hall.site.pk}">' in html


def test_where_nothing_is_due_it_says_so_and_when_a_test_falls_due(client: Client) -> None:
    assert "No test is due. A test falls due where a contract with a test interval covers" in text(client)
    assert "No test is due in March 2031." in text(client, month="2031-03")


@pytest.mark.parametrize("wrong", ["march", "2031-13", "2031-3", "2031-03-01", "-0001"])
def test_a_month_that_is_none_is_refused_with_what_would_be_right(wrong: str, client: Client) -> None:
    answer = client.get("/tests/due", {"month": wrong})
    assert answer.status_code == 400
    assert "<code>month</code>" in answer.content.decode()


def test_a_long_list_has_pages_that_are_small_and_take_as_many_queries(
    hall: Hall, contract: Contract, client: Client
) -> None:
    due(hall.run, contract, MARCH)
    html_of(client, "tests/due")
    few, _ = queries_of(client, "tests/due")
    for number in range(RUNS):
        run = factories.make_run(hall.block, name=f"Promenade {number}")
        due(run, contract, APRIL + dt.timedelta(days=number))
    many, html = queries_of(client, "tests/due")
    assert many == few
    assert len(html.encode()) < MOST_BYTES
    assert f"{RUNS} of {RUNS + 1} runs are on this page." in text_of(html)
    (following,) = re.findall(r'href="(/tests/due\?[^"]*)">Next page', html)
    rest = client.get(following.replace("&amp;", "&")).content.decode()
    assert re.findall(r'href="/runs/\d+#tests">(.*?)<', rest) == [f"Promenade {RUNS - 1}"]
    assert '<a class="button" href="/tests/due">First page</a>' in rest


def test_on_a_past_day_it_shows_what_was_due_then(
    hall: Hall, contract: Contract, logged_in: Caller, client: Client
) -> None:
    """Built on 2024-03-04, to be tested every 12 months; one run was proven in time, the other was late."""
    factories.keep_proofs(factories.BUILT_ON)
    factories.make_coverage(contract, hall.site)
    factories.prove(hall.run, taken_on=dt.date(2025, 2, 1))
    html = html_of(client, "tests/due", on="2025-03-05", contract_id=str(contract.pk))
    said = text_of(html)
    assert "As of 5 Mar 2025. Show today From the record as it is known now." in said
    assert f"March 2025 Overdue 4 Mar 2025, {hall.site.name} 1 run;" in said
    assert f"February 2026 1 Feb 2026, {hall.site.name} 1 run;" in said
    assert f"Last proven on 1 Feb 2025: {hall.run.name}" in said
    assert f'href="/runs/{hall.run.pk}?on=2025-03-05#tests"' in html
    assert f'<a href="/tests/due?contract_id={contract.pk}">Show today</a>' in html
    assert 'value="2025-03-05"' in html
    assert "Overdue" not in text(client, on="2025-03-04")
    assert "covers a site on that day." in text(client, on="2024-03-03")
    everybody = logged_in(factories.make_user(User.Role.MANAGER, all_customers=True))
    assert "Choose a contract: all that you see is too much for one page." in text(everybody, on="2025-03-05")
    assert "Overdue" in text(everybody, on="2025-03-05", contract_id=str(contract.pk))
    assert f"site_id={hall.site.pk}&amp;on=2025-03-05" in html_of(
        client, f"sites/{hall.site.pk}", on="2025-03-05"
    )


def test_a_wrong_cursor_of_a_past_day_is_refused_as_any(client: Client) -> None:
    assert client.get("/tests/due", {"on": "2025-03-05", "cursor": "x"}).status_code == 400


def test_start_fleet_and_each_owner_lead_there(hall: Hall, contract: Contract, client: Client) -> None:
    due(hall.run, contract, dt.date(2020, 1, 1))
    due(hall.gangway_run, contract, MARCH)
    for page in ("", "fleet"):
        assert '<a href="/tests/due">1 run to be proven again by ' in html_of(client, page)
    for kind, row_id in (
        ("contract", contract.pk),
        ("customer", hall.site.customer_id),
        ("site", hall.site.pk),
    ):
        assert f'href="/tests/due?{kind}_id={row_id}"' in html_of(client, f"{kind}s/{row_id}")


def test_a_month_ends_with_its_last_day() -> None:
    ends = [end_of_month(dt.date(2028, month, 1)).day for month in range(1, 13)]
    assert ends == [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]
    assert end_of_month(dt.date(2027, 2, 28)) == dt.date(2027, 2, 28)
    assert end_of_month(dt.date(2027, 12, 31)) == dt.date(2027, 12, 31)


def test_the_sites_of_others_are_not_among_them(
    hall: Hall, contract: Contract, outsider: User, logged_in: Caller
) -> None:
    due(hall.run, contract, MARCH)
    client = logged_in(outsider)
    assert "No test is due." in text(client)
    for name, row_id in (
        ("contract_id", contract.pk),
        ("customer_id", hall.site.customer_id),
        ("site_id", hall.site.pk),
    ):
        assert client.get("/tests/due", {name: row_id}).status_code == 404


# --- calendars ----------------------------------------------------------------------------------------------


def test_a_calendar_is_made_and_its_address_stands_in_that_answer_only(
    hall: Hall, contract: Contract, client: Client
) -> None:
    due(hall.run, contract, MARCH)
    html = html_of(client, "tests/due")
    assert "/calendars/" not in html
    answer = client.post("/tests/due", {"act": "make", "name_of_calendar": "Van 2"})
    assert answer.status_code == 200
    assert "no-store" in answer["Cache-Control"]
    (address,) = re.findall(r"<code>(http://testserver/calendars/.*?\.ics)</code>", answer.content.decode())
    calendar = Client().get(address)
    assert f"Test due: 1 run\\, {hall.site.name}" in calendar.content.decode()
    later = html_of(client, "tests/due")
    assert "/calendars/" not in later
    assert "Van 2 made on" in text_of(later)


def test_a_calendar_is_removed(client: Client, dispatcher: User) -> None:
    client.post("/tests/due", {"act": "make", "name_of_calendar": "Van 2"})
    calendar = Calendar.objects.get(owner=dispatcher)
    answer = client.post("/tests/due?month=2031-03", {"act": "remove", "calendar": calendar.pk})
    assert (answer.status_code, answer["Location"]) == (303, "/tests/due?month=2031-03#calendar")
    assert not Calendar.objects.exists()
    # pressed twice, or in another window
    assert client.post("/tests/due", {"act": "remove", "calendar": calendar.pk}).status_code == 303


def test_nobody_removes_the_calendar_of_another(client: Client, outsider: User) -> None:
    calendar = Calendar.objects.create(owner=outsider, name="theirs", digest="0" * 64)
    client.post("/tests/due", {"act": "remove", "calendar": calendar.pk})
    assert Calendar.objects.filter(pk=calendar.pk).exists()
    assert "theirs" not in text(client)


@pytest.mark.parametrize("name", ["", "x" * 121])
def test_a_name_that_is_refused_stays_beside_what_is_right(name: str, client: Client) -> None:
    answer = client.post("/tests/due", {"act": "make", "name_of_calendar": name})
    assert answer.status_code == 400
    html = answer.content.decode()
    assert 'id="make-name_of_calendar_error" role="alert">Expected' in html
    assert not Calendar.objects.exists()


def test_one_calendar_too_many_is_refused_with_what_to_do(client: Client, dispatcher: User) -> None:
    for number in range(MOST):
        Calendar.objects.create(owner=dispatcher, name=f"van {number}", digest=f"{number:064}")
    answer = client.post("/tests/due", {"act": "make", "name_of_calendar": "one more"})
    assert answer.status_code == 409
    assert f"You have {MOST} calendars: remove one first." in answer.content.decode()


def test_a_form_that_names_no_act_is_refused(client: Client) -> None:
    answer = client.post("/tests/due", {"act": "burn"})
    assert answer.status_code == 400
    assert "it has make and remove" in answer.content.decode()


def test_another_site_of_the_day_stands_by_itself(hall: Hall, contract: Contract, client: Client) -> None:
    site = factories.make_site(hall.site.customer, name="Quay")
    closet = factories.make_closet(site)
    other = make_hall(closet, factories.make_block(closet))
    for run in (hall.run, other.run, other.gangway_run):
        due(run, contract, MARCH)
    html = html_of(client, "tests/due")
    assert re.findall(r"<article>.*?<p>(\d+) run", html, re.DOTALL) == ["1", "2"]
