"""A site and its survey: verdicts from the API, drafts and changes, and as of another day."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils.html import escape

from api.pages.days import in_sentence
from sites.changes.services import change_set_draft
from sites.models import Basis, DeviceModel, User
from sites.services.closets import closet_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.api.v1.asking import get
from tests.api.v1.test_findings import add_speakers
from tests.factories import BUILT_ON
from tests.halls import Hall, more_speakers
from zones.models import ZoneFacts
from zones.recheck.batch import check

MOST_QUERIES = 20
"""9 of them read the cases, however many there are."""


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, path: str, **query: str) -> str:
    answer = client.get(path, query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def test_site_closets_and_zones_have_their_worst_verdict(hall: Hall, client: Client) -> None:
    """52 speakers at 40 mA are 2.08 A of 1.60 A: past for the site, its closet and both zones."""
    empty = factories.make_closet(hall.site)
    add_speakers(hall, 12)
    check([hall.site.pk])
    html = html_of(client, f"/sites/{hall.site.pk}")
    past = r' <span class="verdict past">Past</span>'
    for name in (hall.site.name, hall.closet.name, "Ticket hall", "Gangway"):
        assert re.search(rf"{name}(</\w+>)?{past}", html), name
    assert not re.search(rf"{empty.name}</\w+>{past}", html)
    (case,) = get(client, "cases", site_id=hall.site.pk, verdict="past")["items"]
    assert escape(in_sentence(case["findings"][0]["attribution"]["sentence"])) in html


def test_a_site_shows_drafts_last_changes_and_the_way_to_its_survey(hall: Hall, client: Client) -> None:
    change_set_draft(factories.change(hall.site, reason="a second supply"), more_speakers(hall, 1))
    html = html_of(client, f"/sites/{hall.site.pk}")
    assert "a second supply" in html[html.index("<h2>Drafts</h2>") : html.index("<h2>Last changes</h2>")]
    assert "The latest 5 changes are shown; more are recorded." in html
    assert f'href="/sites/{hall.site.pk}/survey"' in html


def test_of_many_changes_the_earlier_ones_are_one_click_away(hall: Hall, client: Client) -> None:
    days = [BUILT_ON + dt.timedelta(days=number) for number in range(10, 80, 10)]
    for number, day in enumerate(days):
        change = factories.change(hall.site, happened_on=day, reason=f"work {number}")
        closet_alter(change, closet=hall.closet, note=f"note {number}")
    html = html_of(client, f"/sites/{hall.site.pk}")
    assert [f"work {number}" in html for number in range(7)] == [False] * 2 + [True] * 5
    earlier = re.search(r'<a href="(\?on=[\d-]+)">Earlier ones, as of', html)
    assert earlier is not None
    assert earlier[1] == f"?on={days[2]}"
    html = html_of(client, f"/sites/{hall.site.pk}{earlier[1]}")
    assert [f"work {number}" in html for number in range(7)] == [True] * 3 + [False] * 4


def test_on_another_day_links_keep_the_day_where_a_page_has_days(hall: Hall, client: Client) -> None:
    contract = factories.make_contract(hall.site.customer)
    factories.make_coverage(contract, hall.site)
    day = factories.BUILT_ON.isoformat()
    html = html_of(client, f"/sites/{hall.site.pk}", on=day)
    assert f'href="/closets/{hall.closet.pk}?on={day}"' in html
    assert f'href="/sites/{hall.site.pk}/survey?on={day}"' in html
    assert f'href="/contracts/{contract.pk}"' in html
    assert 'class="verdict' not in html


def test_the_survey_says_every_question_in_order(hall: Hall, client: Client) -> None:
    """A supply without a rating feeds a zone of which it is not recorded whether it carries tones."""
    zone = factories.make_zone(hall.site, signal=ZoneFacts.Signal.UNKNOWN)
    unrated = factories.make_supply(
        hall.closet, factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=None)
    )
    run = factories.make_run(hall.block, zone=zone, supply=unrated)
    factories.make_points(run, 2, hall.speaker)
    survey = get(client, f"sites/{hall.site.pk}/survey")
    html = html_of(client, f"/sites/{hall.site.pk}/survey")
    said = [
        survey["summary"],
        *(said for one in survey["items"] for said in (one["figure"]["sentence"], *one["missing"])),
        *survey["to_check"],
        *survey["to_ask"],
    ]
    assert survey["items"]
    assert survey["to_ask"]
    place = 0
    for one in said:
        place = html.index(escape(one), place)


def test_the_survey_begins_with_what_to_measure_in_the_order_of_a_walk(hall: Hall, client: Client) -> None:
    zone = factories.make_zone(hall.site)
    one_amp = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=1.0, rated_load_voltage_v=None)
    for name in ("U1", "U2"):
        run = factories.make_run(
            hall.block, name=name, zone=zone, supply=factories.make_supply(hall.closet, one_amp)
        )
        # 0.15, 0.25, 0.50 A beside 0.40 A, of 0.80 A
        factories.make_points(run, 10, hall.speaker, length_m=1.0, dc_pairs=3, current_basis=Basis.UNKNOWN)
        factories.make_points(run, 10, hall.speaker, length_m=1.0, dc_pairs=3, current_basis=Basis.MEASURED)
    survey = get(client, f"sites/{hall.site.pk}/survey")
    currents = [one for one in survey["to_measure"] if one["kind"] == "run_current"]
    assert [one["run"] for one in currents] == ["U1", "U2"]
    assert all(one["settles"] or one["may_settle"] for one in survey["to_measure"])
    best = {one["figure"]["code"]: one["reading"] for one in survey["items"]}["supply_current"]
    assert best["sentence"] in {one["sentence"] for one in currents}
    html_of(client, f"/sites/{hall.site.pk}/survey")  # the first look at a thing is noted
    with CaptureQueriesContext(connection) as sent:
        html = html_of(client, f"/sites/{hall.site.pk}/survey")
    assert len(sent) <= MOST_QUERIES
    place = html.index("<h2>To measure next</h2>")
    for one in survey["to_measure"]:
        for said in (one["sentence"], one["probes"], *one["settles"]):
            place = html.index(escape(said), place)
    assert place < html.index("<h2>To measure or to look up</h2>")


def test_a_site_with_many_cases_costs_as_much_as_one_with_one(hall: Hall, client: Client) -> None:
    add_speakers(hall, 12)
    check([hall.site.pk])

    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            html_of(client, f"/sites/{hall.site.pk}")
        return len(sent)

    queries()
    before = queries()
    assert before <= MOST_QUERIES
    for _ in range(5):
        factories.make_zone(hall.site)
        factories.make_supply(factories.make_closet(hall.site))
    check([hall.site.pk])
    assert queries() == before
