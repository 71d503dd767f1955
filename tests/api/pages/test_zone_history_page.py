"""The history of a zone: which change crossed which limit, in a drawing and in the list below it."""

from __future__ import annotations

import datetime as dt
import re
from html import unescape
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.pages.days import in_sentence
from api.pages.zones import zone_history
from sites.models import Basis, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.halls import Hall

LATER = factories.BUILT_ON + dt.timedelta(days=100)


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, zone_id: int, **query: str) -> str:
    answer = client.get(f"/zones/{zone_id}/history", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def words(html: str) -> str:
    return unescape(" ".join(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", html, flags=re.DOTALL).split()))


def drawings(html: str) -> list[Any]:
    return [ET.fromstring(one) for one in re.findall(r'<svg class="drawing years".*?</svg>', html, re.DOTALL)]


def add(hall: Hall, count: int, days: int = 0) -> None:
    factories.make_points(
        hall.run, count, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED,
        happened_on=LATER + dt.timedelta(days=days),
    )  # fmt: skip


def test_the_change_that_crossed_stands_in_the_drawing_and_in_the_list(hall: Hall, client: Client) -> None:
    add(hall, 12)
    html = html_of(client, hall.zone.pk, code="supply_current")
    (svg,) = drawings(html)
    assert svg.find("title").text == "Supply current, supply PS 1: past"
    filled = [one for one in svg.iter() if "crossed" in one.get("class", "")]
    api: Any = client.get(f"/api/v1/zones/{hall.zone.pk}/history", {"code": "supply_current"}).json()
    (line,) = api["items"]
    (crossing,) = line["crossings"]
    # At 1.60 A of 1.60 A the high estimate was past from the beginning: both changes are shown
    assert len(filled) == 2
    assert svg.find("desc").text == in_sentence(crossing["sentence"])
    said = words(html)
    assert f"{in_sentence(line['attribution']['sentence'])}." in said
    for entry in line["entries"]:
        assert in_sentence(entry["sentence"]) in said
    # 40 × 0.04 A, and 12 more
    assert "went from 1.60 A to 2.08 A" in said


def test_what_never_crossed_is_folded_and_leads_to_its_own_drawing(hall: Hall, client: Client) -> None:
    html = html_of(client, hall.gangway.pk)
    api: Any = client.get(f"/api/v1/zones/{hall.gangway.pk}/history").json()
    never = [one for one in api["items"] if not one["crossings"]]
    assert f"<summary>Never crossed: {len(never)}</summary>" in html
    assert len(drawings(html)) == len(api["items"]) - len(never)
    assert f'<a href="/zones/{hall.gangway.pk}/history?code=run_voltage">' in html
    (svg,) = drawings(html_of(client, hall.gangway.pk, code="run_voltage"))
    assert svg.find("title").text.startswith("Voltage at the last speaker, run R2: ")


def test_of_many_changes_the_last_are_shown_and_the_others_are_one_click_away(
    hall: Hall, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(zone_history, "MOST", 2)
    for days in (0, 10, 20):
        add(hall, 4, days)
    html = html_of(client, hall.zone.pk, code="supply_current")
    assert '<ol start="3">' in html
    until = (LATER + dt.timedelta(days=9)).isoformat()
    assert f'history?code=supply_current&amp;on={until}">Its 2 earlier changes</a>' in html
    assert "<li>" in html_of(client, hall.zone.pk, code="supply_current", on=until)


def test_as_of_an_earlier_day_nothing_later_is_told(hall: Hall, client: Client) -> None:
    add(hall, 12)
    day = (LATER - dt.timedelta(days=1)).isoformat()
    said = words(html_of(client, hall.zone.pk, code="supply_current", on=day))
    assert "2.08 A" not in said
    assert "1.60 A" in said


def test_a_zone_that_nothing_feeds_says_so(hall: Hall, client: Client) -> None:
    empty = factories.make_zone(hall.site, name="Annex")
    said = words(html_of(client, empty.pk))
    assert "Nothing that feeds this zone is recorded, so it has no figure to follow." in said


def test_another_code_is_refused_with_what_would_be_right(hall: Hall, client: Client) -> None:
    answer = client.get(f"/zones/{hall.zone.pk}/history", {"code": "supply_curent"})
    assert answer.status_code == 400
    assert "Did you mean supply_current?" in answer.content.decode()


def test_more_changes_cost_no_more_queries_and_stay_small(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            html_of(client, hall.zone.pk)
        return len(caught)

    add(hall, 12)
    queries()  # notes that it was opened
    before = queries()
    for days in range(1, 20):
        add(hall, 1, days)
    assert queries() == before <= 30
    html = html_of(client, hall.zone.pk)
    assert len(drawings(html)) > 1
    assert len(html.encode()) <= 100_000
