"""The page of a closet: its parts in order, what is not recorded, whose it is, and how much it costs."""

from __future__ import annotations

import datetime as dt
import io
import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from pypdf import PdfReader

from api.pages.days import in_sentence, written
from sites.models import Block, Contact, Secret, User
from sites.services.closets import closet_alter, contact_add
from sites.services.secrets import secret_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in, text_of
from tests.halls import Hall
from zones.models import Test, Zone
from zones.recheck.batch import recheck
from zones.services.landings import PairUse, landing_add
from zones.services.visits import visit_record
from zones.services.zones import zone_alter

MOST_BYTES = 100_000
MOST_QUERIES = 20


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, hall: Hall, **query: str) -> str:
    answer = client.get(f"/closets/{hall.closet.pk}", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def test_the_parts_stand_in_the_order_in_which_they_are_needed(hall: Hall, client: Client) -> None:
    assert re.findall(r"<h2[^>]*>([^<]*)</h2>", html_of(client, hall)) == [
        "Life safety", "Dangers", "How to get in", "Whom to call", "Codes", "What is wrong here", "Blocks",
        "To isolate a run", "Power", "Ports", "Zones fed from here", "Not recorded, and what settles it",
        "Last changes",
    ]  # fmt: skip


def test_parts_are_a_tap_away_behind_life_safety_and_dangers(hall: Hall, client: Client) -> None:
    """A sheet is twenty screens of a phone long."""
    html = html_of(client, hall)
    links = re.findall(r'<a class="button" href="#([^"]*)">', html)
    assert links == ["call", "wrong", "blocks", "isolate", "zones"]
    assert all(f'<h2 id="{one}">' in html for one in links)
    assert html.index('id="dangers"') < html.index('href="#call"') < html.index('id="way-in"')


def test_life_safety_is_reversed_where_it_is_served_and_asks_where_it_is_not_recorded(
    hall: Hall, client: Client
) -> None:
    contact_add(
        factories.change(hall.site),
        closet=hall.closet,
        role=Contact.Role.SITE,
        name="Maeve Lidgate",
        phone="(902) 555-0111 ext. 4",
    )
    unknown = html_of(client, hall)
    assert 'class="notice unknown"' in unknown
    assert 'Ask Maeve Lidgate: <a class="call" href="tel:9025550111">(902) 555-0111 ext. 4</a>' in unknown
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    assert 'class="notice yes"' in html_of(client, hall)
    for zone in (hall.gangway, hall.zone):
        zone_alter(factories.change(hall.site), zone=zone, life_safety=Zone.LifeSafety.NO)
    assert 'class="notice' not in html_of(client, hall)


def test_it_says_what_the_api_says(hall: Hall, client: Client) -> None:
    landing_add(
        factories.change(hall.site), block=hall.block, row=1, pair=1, carries=PairUse.DC, run=hall.run
    )
    html = html_of(client, hall)
    sheet: dict[str, Any] = client.get(f"/api/v1/closets/{hall.closet.pk}/sheet").json()
    said = [
        sheet["life_safety"]["sentence"],
        sheet["contract"]["sentence"],
        *(one["text"] for one in sheet["cautions"]),
        *(one["isolation"]["sentence"] for one in sheet["runs"]),
        *(re.sub("^(Past|Cannot tell): ", "", one["summary"]) for one in sheet["zones"]),
        *sheet["unknown"],
    ]
    assert len(said) > 10
    for sentence in said:
        assert in_sentence(sentence).replace("'", "&#x27;") in html


@pytest.mark.django_db(transaction=True)
def test_what_is_past_stands_with_its_mark_and_the_change_that_made_it_so(hall: Hall, client: Client) -> None:
    factories.make_points(hall.run, 12, hall.speaker, length_m=1.0)
    assert not recheck([hall.site.pk]).failed
    html = html_of(client, hall)
    sheet: dict[str, Any] = client.get(f"/api/v1/closets/{hall.closet.pk}/sheet").json()
    (finding,) = [one for one in sheet["findings"] if one["code"] == "supply_current"]
    wrong = html[html.index('id="wrong"') : html.index('id="blocks"')]
    assert finding["sentence"] in wrong
    assert in_sentence(finding["attribution"]["sentence"]) in wrong
    assert '<svg class="reach"' in wrong


def test_what_is_not_recorded_is_said_and_never_left_blank(hall: Hall, client: Client) -> None:
    html = html_of(client, hall)
    assert "The location of the key is not recorded." in html
    assert re.search(r"Not recorded: [^<]*\bhours\b[^<]*\bescort\b", html)
    assert "<dd></dd>" not in html
    assert "None" not in html


def test_the_key_is_on_the_screen_and_not_on_paper_and_a_code_on_neither(
    hall: Hall, client: Client, manager: User
) -> None:
    where = "third hook behind the ice machine"
    closet_alter(factories.change(hall.site), closet=hall.closet, key_location=where)
    secret_add(
        user=manager, site=hall.site, closet=hall.closet, label="yard", code="heron-4711",
        kind=Secret.Kind.DOOR,
    )  # fmt: skip
    html = html_of(client, hall)
    assert f'<span class="on-screen">{where}</span><span class="on-paper">ask the site contact</span>' in html
    assert html.count(where) == 1
    assert "heron" not in html


@pytest.mark.parametrize("suffix", ["", ".pdf"])
def test_what_is_not_theirs_is_as_absent_as_what_is_not_there(
    hall: Hall, outsider: User, logged_in: Caller, suffix: str
) -> None:
    client = logged_in(outsider)
    ours = client.get(f"/closets/{hall.closet.pk}{suffix}")
    never = client.get(f"/closets/999999999{suffix}")
    assert ours.status_code == never.status_code == 404
    assert hall.closet.name not in ours.content.decode()
    assert hall.site.name not in ours.content.decode()


@pytest.mark.parametrize("suffix", ["", ".pdf"])
def test_it_asks_for_a_log_in_first(hall: Hall, suffix: str) -> None:
    path = f"/closets/{hall.closet.pk}{suffix}"
    answer = Client().get(path)
    assert answer.status_code == 302
    assert answer["Location"].endswith(f"?next={path}")


def test_as_of_a_day(hall: Hall, client: Client) -> None:
    factories.make_supply(hall.closet, name="PS 2")
    day = factories.BUILT_ON
    assert f"As of {day.day} " in html_of(client, hall, on=day.isoformat())
    early = client.get(f"/closets/{hall.closet.pk}", {"on": (day - dt.timedelta(days=1)).isoformat()})
    assert early.status_code == 404
    assert "it began on" in early.content.decode()


def test_the_pdf_leads_back_to_the_page(hall: Hall, client: Client, tmp_path: Any) -> None:
    answer = client.get(f"/closets/{hall.closet.pk}.pdf")
    assert answer["Content-Type"] == "application/pdf"
    assert "no-store" in answer["Cache-Control"]
    file = tmp_path / "sheet.pdf"
    file.write_bytes(answer.content)
    assert hall.closet.name in PdfReader(file).pages[0].extract_text()


@pytest.mark.parametrize("suffix", ["", ".pdf"])
def test_a_change_is_told_by_who_did_it_and_not_by_who_typed_it(
    hall: Hall, client: Client, suffix: str
) -> None:
    change = factories.change(
        hall.site, actor="R. Ondine", done_by="Hallam Crew", job_reference="T-9", reason="seen on the visit"
    )
    closet_alter(change, closet=hall.closet, room="2.14")
    answer = client.get(f"/closets/{hall.closet.pk}{suffix}")
    if suffix:
        pages = PdfReader(io.BytesIO(answer.content)).pages
        whole = " ".join(" ".join(page.extract_text() for page in pages).split())
    else:
        whole = answer.content.decode()
    changes = whole[whole.index("Last changes") :]
    assert "Hallam Crew, job T-9:" in changes
    assert "seen on the visit" in changes
    assert "R. Ondine" not in changes


@pytest.mark.parametrize("suffix", ["", ".pdf"])
def test_the_last_visits_say_what_was_done(hall: Hall, client: Client, suffix: str) -> None:
    day = factories.BUILT_ON + dt.timedelta(days=4)
    change = factories.change(hall.site, happened_on=day)
    visit = visit_record(change, closet=hall.closet, visited_on=day, technician="Rune Aske").result
    factories.take_test(hall.run, kind=Test.Kind.SHORTS, passed=True, taken_on=day, visit=visit)
    answer = client.get(f"/closets/{hall.closet.pk}{suffix}")
    if suffix:
        pages = PdfReader(io.BytesIO(answer.content)).pages
        whole = " ".join(" ".join(page.extract_text() for page in pages).split())
    else:
        whole = text_of(answer.content.decode())
    told = "Rune Aske: 1 test, none failed or outside what is expected; no change."
    assert f"{written(day)} {told}" in whole[whole.index("Last visit") :]


def test_a_full_closet_costs_as_many_queries_as_a_bare_one(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            html_of(client, hall)
        return len(caught)

    queries()  # notes that it was opened
    before = queries()
    change = factories.change(hall.site)
    for number in range(2, 5):
        factories.make_supply(hall.closet, name=f"PS {number}")
        zone = factories.make_zone(hall.site, name=f"Zone {number}")
        run = factories.make_run(hall.block, zone=zone, name=f"X{number}", supply=hall.supply)
        factories.make_points(run, 5, hall.speaker, length_m=1.0)
        landing_add(change, block=hall.block, row=2 * number, pair=1, carries=PairUse.DC, run=run)
    assert queries() == before
    assert before <= MOST_QUERIES


def fill(hall: Hall, block: Block, pairs: int) -> None:
    change = factories.change(hall.site)
    for pair in range(1, pairs + 1):
        row = 2 * pair - 1
        landing_add(change, block=block, row=row, pair=pair, carries=PairUse.DC, supply=hall.supply)
        landing_add(change, block=block, row=row, pair=pair, carries=PairUse.DC, run=hall.run)


def test_rows_are_drawn_and_in_words_until_the_page_is_full_then_the_block_has_its_link(
    hall: Hall, client: Client
) -> None:
    """60 rows in use are shown: two full blocks of 50 are more, so the second one has its own page."""
    other = factories.make_block(hall.closet, name="Z-2")
    fill(hall, hall.block, 25)
    fill(hall, other, 5)
    html = html_of(client, hall)
    assert html.count('<th scope="row">') == 60
    assert html.count('<svg class="drawing block"') > 2
    assert len(html.encode()) <= MOST_BYTES
    landing_add(factories.change(hall.site), block=other, row=11, pair=9, carries=PairUse.DC, run=hall.run)
    html = html_of(client, hall)
    assert html.count('<th scope="row">') == 50
    assert f'12 rows are in use: see <a href="/blocks/{other.pk}">Z-2</a>.' in html


def test_a_block_on_the_sheet_is_drawn_as_on_its_own_page(hall: Hall, client: Client) -> None:
    fill(hall, hall.block, 1)
    own = client.get(f"/blocks/{hall.block.pk}").content.decode()
    (drawn,) = re.findall(r'<svg class="drawing block".*?</svg>', own, re.DOTALL)
    assert drawn in html_of(client, hall)


def test_the_pdf_is_offered_at_the_top_for_the_same_day(hall: Hall, client: Client) -> None:
    day = factories.BUILT_ON.isoformat()
    html = html_of(client, hall, on=day)
    offered = html.index(f'href="/closets/{hall.closet.pk}.pdf?on={day}"')
    assert html.index("</h1>") < offered < html.index("<h2")


def test_it_needs_no_script_but_that_of_the_search_field(hall: Hall, client: Client) -> None:
    html = html_of(client, hall)
    assert "<script" not in html[html.index("<body") :]
    assert "style=" not in html
