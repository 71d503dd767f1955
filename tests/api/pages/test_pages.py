"""Every page of `PAGES`: who may look, log-in and the way back, the query, and problems as pages."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.db import OperationalError, connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.conventions.permissions import AUTHENTICATED, PUBLIC
from api.pages.days import written
from api.pages.fleet import search
from api.pages.urls import PAGES, Row
from sites.access.abilities import ROLES
from sites.models import Site, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.api.pages.test_home import BROWSER
from tests.factories import BUILT_ON
from tests.halls import make_hall
from tests.page_addresses import Shown
from zones.recheck.batch import check

ROWS = pytest.mark.parametrize("row", PAGES, ids=lambda row: row.name)


@ROWS
def test_each_role_sees_what_it_may(
    row: Row, request: pytest.FixtureRequest, logged_in: Caller, shown: Shown
) -> None:
    address = shown.address(row)
    for who in ("manager", "dispatcher", "technician", "reader", "outsider"):
        person: User = request.getfixturevalue(who)
        allowed = row.may in (PUBLIC, AUTHENTICATED) or row.may in ROLES[person.role]
        there = not shown.kwargs(row) or who != "outsider"
        expected = 403 if not allowed else 200 if there else 404
        answer = logged_in(person).get(address, headers=BROWSER, follow=True)
        assert answer.status_code == expected, who


@ROWS
def test_who_is_not_logged_in_is_led_to_log_in_and_back(row: Row, anonymous: Client, shown: Shown) -> None:
    address = shown.address(row)
    answer = anonymous.get(f"{address}?on=2025-03-14")
    if row.may == PUBLIC:
        assert answer.status_code == 200
    else:
        assert answer.status_code == 302
        assert answer["Location"] == f"/log-in?next={address}%3Fon%3D2025-03-14"


@ROWS
def test_a_page_is_kept_by_nobody_and_takes_no_form_that_it_does_not_show(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    client, address = logged_in(manager), shown.address(row)
    assert "no-store" in client.get(address)["Cache-Control"]
    if "post" in row.view.http_method_names:
        return
    refused = client.post(address)
    assert (refused.status_code, refused["Allow"]) == (405, "GET, HEAD")
    assert "POST is not possible here" in refused.content.decode()


MOST_QUERIES = 20


@ROWS
def test_a_page_takes_few_queries(row: Row, logged_in: Caller, manager: User, shown: Shown) -> None:
    client, address = logged_in(manager), shown.address(row)
    check([shown.hall.site.pk])
    sent = _queries(client, address)
    assert len(sent) <= MOST_QUERIES, sent


OF_DAYS = pytest.mark.parametrize(
    "row", [row for row in PAGES if "on" in row.view.query().fields], ids=lambda row: row.name
)


@OF_DAYS
def test_a_page_of_a_past_day_says_so_and_leads_back_to_today(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    """In a box, since what is read there may be wrong today; of a PDF in its words, as in its own test."""
    if not hasattr(row.view, "template_name"):
        return
    address = shown.address(row)
    text = html_in(logged_in(manager).get(f"{address}?on={BUILT_ON}"))
    assert f'<p class="notice unknown"><b>As of {written(BUILT_ON)}.</b> <a href="{address}">' in text


@OF_DAYS
def test_a_page_of_a_past_day_takes_few_queries_too(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    """Its loads are computed, from what is read of the site."""
    address = f"{shown.address(row)}?on={BUILT_ON}"
    sent = _queries(logged_in(manager), address)
    assert len(sent) <= MOST_QUERIES, sent


@ROWS
def test_a_page_takes_as_many_queries_at_many_sites(
    row: Row, logged_in: Caller, manager: User, shown: Shown, site: Site
) -> None:
    """Of the same customer and of others; with cases, drafts, due tests and runs of their own."""
    client, address = logged_in(manager), shown.address(row)
    check([shown.hall.site.pk])
    few = _queries(client, address)
    for customer in (site.customer, None):
        there = factories.make_site(customer)
        closet = factories.make_closet(there)
        hall = make_hall(closet, factories.make_block(closet))
        factories.make_points(hall.run, 12, hall.speaker, length_m=1.0)
        check([there.pk])
    many = _queries(client, address)
    assert len(many) == len(few), Counter(many) - Counter(few)


@ROWS
def test_a_page_is_small_and_has_no_bare_day(
    row: Row, logged_in: Caller, manager: User, shown: Shown
) -> None:
    """HTML of 100 kB at most; long lists and blocks have tests of their own. A day is written out."""
    html = logged_in(manager).get(shown.address(row), follow=True)
    if not html["Content-Type"].startswith("text/html"):
        return
    assert len(html.content) <= 100_000
    said = re.sub("<[^>]*>", " ", html.content.decode())
    assert re.findall(r"\b\d{4}-\d{2}-\d{2}\b", said) == []


def test_the_stylesheet_is_small() -> None:
    """20 kB, and one: whatever else there is belongs to a library."""
    (sheet,) = Path(settings.STATICFILES_DIRS[0]).rglob("*.css")
    assert sheet.stat().st_size <= 20_000


def _queries(client: Client, address: str) -> list[str]:
    """The queries of a page, each its beginning."""
    client.get(address)  # the first time notes what was opened last
    with CaptureQueriesContext(connection) as sent:
        assert client.get(address).status_code in (200, 302)
    return [one["sql"][:90] for one in sent]


def test_absent_and_forbidden_are_the_same_page(logged_in: Caller, outsider: User, site: Site) -> None:
    client = logged_in(outsider)
    headers = {**BROWSER, "X-Request-ID": "one"}
    forbidden, absent = (
        client.get(f"/sites/{pk}", headers=headers).content.decode().replace(f"/sites/{pk}<", "<")
        for pk in (site.pk, 9_999_999)
    )
    without_token = [text.split("csrfmiddlewaretoken")[0] for text in (forbidden, absent)]
    assert without_token[0] == without_token[1]
    assert "Nothing at this address" in absent


def test_a_day_that_is_none_is_refused_with_what_would_be_right(
    logged_in: Caller, manager: User, site: Site
) -> None:
    answer = logged_in(manager).get(f"/sites/{site.pk}?on=tomorrow")
    text = answer.content.decode()
    assert answer.status_code == 400
    assert "<code>on</code>" in text
    assert "Expected a day" in text


def test_a_query_that_means_nothing_here_is_not_overlooked(
    logged_in: Caller, manager: User, site: Site
) -> None:
    answer = logged_in(manager).get(f"/sites/{site.pk}?no=2025-03-14")
    assert answer.status_code == 400
    assert "There is no &#x27;no&#x27; here" in answer.content.decode()


def test_the_database_being_gone_is_a_page_that_says_so(
    logged_in: Caller, manager: User, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(*_args: Any, **_kwargs: Any) -> Any:
        raise OperationalError("server closed the connection")

    monkeypatch.setattr(search, "answer_of", gone)
    answer = logged_in(manager).get("/search?q=quay", headers={"X-Request-ID": "r-17"})
    assert answer.status_code == 503
    assert "r-17" in answer.content.decode()
    assert answer["Retry-After"] == "2"


def test_too_many_pages_in_a_minute_are_a_page_that_says_how_long(
    logged_in: Caller, manager: User, settings: Any
) -> None:
    settings.REQUESTS_PER_MINUTE = 1
    client = logged_in(manager)
    answers = [client.get("/search") for _ in range(3)]
    assert answers[-1].status_code == 429
    assert "You may open 1 pages in a minute" in answers[-1].content.decode()
    assert int(answers[-1]["Retry-After"]) <= 60


def test_what_a_page_asks_of_the_api_is_not_counted_again(
    logged_in: Caller, manager: User, site: Site, settings: Any
) -> None:
    settings.REQUESTS_PER_MINUTE = 2  # a minute may begin between them, so no more is claimed
    assert logged_in(manager).get(f"/sites/{site.pk}").status_code == 200


def test_what_was_opened_last_is_first_and_gone_with_the_grant(
    logged_in: Caller, reader: User, site: Site
) -> None:
    client = logged_in(reader)
    assert site.name not in client.get("/").content.decode()
    client.get(f"/sites/{site.pk}")
    assert f'<a href="/sites/{site.pk}">{site.name}</a>' in client.get("/").content.decode()
    reader.grants.all().delete()
    assert site.name not in client.get("/").content.decode()


def test_a_search_finds_a_site_and_leads_to_it(logged_in: Caller, reader: User, site: Site) -> None:
    text = logged_in(reader).get("/search", {"q": site.name}).content.decode()
    assert f'<a href="/sites/{site.pk}">{site.name}</a>' in text


def test_a_search_by_an_outsider_says_that_nothing_is_found(
    logged_in: Caller, outsider: User, site: Site
) -> None:
    text = logged_in(outsider).get("/search", {"q": site.name}).content.decode()
    assert "Nothing that you can see has a name like this" in text
