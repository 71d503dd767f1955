"""The page of a block: each row in words and drawn, what is disconnected with a run, and its cost."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models import User
from sites.services.closets import block_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.halls import Hall
from zones.models import Zone
from zones.recheck.batch import recheck
from zones.services.landings import PairUse, clip_pull, landing_add
from zones.services.zones import zone_alter

MOST_BYTES = 100_000
MOST_QUERIES = 20
"""Who asks: 4; the rows: 11; the loads as they are kept: 7."""
LATER = factories.BUILT_ON + dt.timedelta(days=100)


@pytest.fixture
def client(technician: User, logged_in: Caller) -> Client:
    return logged_in(technician)


def html_of(client: Client, hall: Hall, **query: str | int) -> str:
    answer = client.get(f"/blocks/{hall.block.pk}", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def row_of(html: str, number: int) -> str:
    """The text of a row of the table."""
    (found,) = re.findall(rf'<tr id="row{number}">(.*?)</tr>', html, re.DOTALL)
    return re.sub(
        r"<[^>]+>", "", found.replace("</td>", " | ").replace("</th>", " | ").replace("<br>", " / ")
    )


def through(hall: Hall) -> None:
    """Supply and run R1 on rows 1 and 2."""
    change = factories.change(hall.site)
    landing_add(change, block=hall.block, row=1, pair=1, carries=PairUse.DC, supply=hall.supply)
    landing_add(change, block=hall.block, row=1, pair=2, carries=PairUse.DC, run=hall.run)


def test_a_row_says_both_sides_and_the_clip_and_leads_to_what_is_on_it(hall: Hall, client: Client) -> None:
    through(hall)
    html = html_of(client, hall)
    assert row_of(html, 1) == (
        "1 | white-blue: DC positive / supply PS 1 | in | white-orange: DC positive / run R1, Ticket hall | "
    )
    assert '<svg class="drawing block"' in html
    assert "Rows 3 to 50: nothing recorded." in html
    assert "Which side is on the left of the wall is not recorded." in html


def test_a_doubled_row_is_said_as_the_api_says_it(hall: Hall, client: Client) -> None:
    through(hall)
    landing_add(
        factories.change(hall.site), block=hall.block, row=1, pair=3, carries=PairUse.DC, run=hall.gangway_run
    )
    html = html_of(client, hall)
    for number in (1, 2):
        text = row_of(html, number)
        assert "run R1, Ticket hall / " in text
        assert "run R2, Gangway" in text
        assert "! 2 conductors on the field side; 1 allowed" in text


def test_isolating_a_run_says_what_else_is_disconnected_and_which_zones_are_silent(
    hall: Hall, client: Client
) -> None:
    through(hall)
    landing_add(
        factories.change(hall.site), block=hall.block, row=1, pair=3, carries=PairUse.DC, run=hall.gangway_run
    )
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    html = html_of(client, hall)
    isolation = html[html.index("To isolate a run") :]
    assert "This disconnects run R2 as well." in isolation
    assert "This disconnects run R1 as well." in isolation
    assert "Heard in: zone Gangway (serves life safety)." in isolation


def test_as_of_a_day_with_the_clips_of_that_day(hall: Hall, client: Client) -> None:
    through(hall)
    clip_pull(factories.change(hall.site, happened_on=LATER), block=hall.block, rows=[2])
    assert " | out | " in row_of(html_of(client, hall, on=LATER.isoformat()), 2)
    before = html_of(client, hall, on=(LATER - dt.timedelta(days=1)).isoformat())
    assert "out" not in row_of(before, 2)
    early = client.get(
        f"/blocks/{hall.block.pk}", {"on": (factories.BUILT_ON - dt.timedelta(days=1)).isoformat()}
    )
    assert early.status_code == 404
    assert "it began on" in early.content.decode()


def test_a_block_on_which_nothing_is_recorded_says_so(hall: Hall, client: Client) -> None:
    html = html_of(client, hall)
    assert f"<h1>Block {hall.block.name} " in html
    assert "66-type, split: bridging clips. 50 rows." in html.replace("66-Type", "66-type")
    assert "Rows 1 to 50: nothing recorded." in html
    assert "<tbody>" not in html
    assert "The rows of this run are not recorded" in html


def fill(hall: Hall, rows: range) -> None:
    """Pairs through, as many runs as pairs of a cable would take."""
    change = factories.change(hall.site)
    for number, row in enumerate(rows[::2]):
        pair = number % 25 + 1
        landing_add(change, block=hall.block, row=row, pair=pair, carries=PairUse.DC, supply=hall.supply)
        landing_add(change, block=hall.block, row=row, pair=pair, carries=PairUse.DC, run=hall.run)


@pytest.mark.django_db(transaction=True)
def test_a_full_block_costs_as_many_queries_as_a_bare_one_and_stays_small(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            html_of(client, hall)
        return len(caught)

    through(hall)
    assert not recheck([hall.site.pk]).failed, "else its loads are computed again"
    queries()  # notes that it was opened
    before = queries()
    block_alter(factories.change(hall.site), block=hall.block, row_count=100)
    fill(hall, range(3, 101))
    assert not recheck([hall.site.pk]).failed
    assert queries() == before
    assert before <= MOST_QUERIES
    html = html_of(client, hall)
    assert html.count('<tr id="row') == 100
    assert len(html.encode()) <= MOST_BYTES


def test_of_a_block_of_more_rows_a_page_shows_a_hundred_and_leads_to_the_others(
    hall: Hall, client: Client
) -> None:
    block_alter(factories.change(hall.site), block=hall.block, row_count=250)
    fill(hall, range(99, 103))
    first = html_of(client, hall)
    assert re.findall(r'<tr id="row(\d+)">', first) == ["99", "100"]
    assert '<a href="?rows_from=101">Rows 101 to 200</a>' in first
    second = html_of(client, hall, rows_from=101)
    assert re.findall(r'<tr id="row(\d+)">', second) == ["101", "102"]
    assert "Rows 103 to 200: nothing recorded." in second
    assert "<b>Rows 101 to 200</b>" in second
    assert "rows 103 to 200: nothing recorded" in second
    wrong = client.get(f"/blocks/{hall.block.pk}", {"rows_from": "0"})
    assert wrong.status_code == 400
    assert "rows_from" in wrong.content.decode()


def test_it_needs_no_script(hall: Hall, client: Client) -> None:
    html = html_of(client, hall)
    assert "<script" not in html[html.index("<body") :]
    assert "style=" not in html
