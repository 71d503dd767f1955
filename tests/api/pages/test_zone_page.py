"""The page of a zone: life safety first, what is past and since when, what feeds it, and what it costs."""

from __future__ import annotations

import datetime as dt
import re
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils.html import escape

from api.pages.days import in_sentence
from sites.models import Basis, Contact, DeviceModel, User
from sites.services.closets import contact_add
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.halls import Hall
from zones.models import Run, Zone
from zones.recheck.batch import check
from zones.services.points import point_alter
from zones.services.zones import zone_alter, zone_endpoint_add

LATER = factories.BUILT_ON + dt.timedelta(days=100)


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, zone: Zone, **query: str) -> str:
    answer = client.get(f"/zones/{zone.pk}", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def part(html: str, name: str) -> str:
    """The section whose heading has that id, as words with single spaces."""
    section = html[html.index(f'<section aria-labelledby="{name}"') :]
    return words(section[: section.index("</section>")])


def words(html: str) -> str:
    return unescape(" ".join(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", html, flags=re.DOTALL).split()))


def push_past(hall: Hall) -> None:
    """12 more speakers of 40 mA: (30 + 10 + 12) × 0.04 A = 2.08 A of 1.60 A."""
    factories.make_points(
        hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=LATER
    )
    check([hall.site.pk])


def test_the_parts_stand_in_the_order_in_which_they_are_needed(hall: Hall, client: Client) -> None:
    html = html_of(client, hall.zone)
    assert re.findall(r"<h2[^>]*>([^<]*)</h2>", html) == [
        "Figures", "The change behind it", "What feeds it", "How it is paged", "Before anybody works on it",
    ]  # fmt: skip
    assert html.index("Life safety not recorded") < html.index('id="figures"')


def test_life_safety_is_reversed_where_it_is_served_and_asks_where_it_is_not_recorded(
    hall: Hall, client: Client
) -> None:
    assert "No site contact is recorded: ask the customer." in html_of(client, hall.zone)
    contact_add(
        factories.change(hall.site), closet=hall.closet, role=Contact.Role.SITE, name="Maeve Lidgate",
        phone="(902) 555-0111 ext. 4",
    )  # fmt: skip
    unknown = html_of(client, hall.zone)
    assert 'class="notice unknown"' in unknown
    assert 'Ask Maeve Lidgate: <a class="call" href="tel:9025550111">' in unknown
    zone_alter(factories.change(hall.site), zone=hall.zone, life_safety=Zone.LifeSafety.YES)
    assert '<p class="notice"><b>Life safety: yes.</b> This record is not listed' in html_of(
        client, hall.zone
    )
    zone_alter(factories.change(hall.site), zone=hall.zone, life_safety=Zone.LifeSafety.NO)
    none = html_of(client, hall.zone)
    assert 'class="notice' not in none
    assert "Life safety no" in part(none, "paged")


def test_what_is_past_stands_before_what_is_within_and_names_the_change(hall: Hall, client: Client) -> None:
    push_past(hall)
    html = html_of(client, hall.zone)
    assert re.search(r'<h1>Ticket hall <span class="verdict past">', html)
    shown, _, within = part(html, "figures").partition("Within their limits: ")
    assert shown.startswith("Figures Past Supply PS 1 delivers 2.08 A")
    api: Any = client.get(f"/api/v1/zones/{hall.zone.pk}/load").json()
    assert int(within.split()[0]) == sum(one["verdict"] == "within" for one in api["items"])
    query: dict[str, Any] = {"zone_id": hall.zone.pk, "code": "supply_current"}
    (finding,) = client.get("/api/v1/findings", query).json()["items"]
    assert f"{in_sentence(finding['attribution']['sentence'])}. Past Supply current, supply PS 1" in part(
        html, "changes"
    )


def test_the_worst_figure_is_said_once(hall: Hall, client: Client) -> None:
    push_past(hall)
    assert words(html_of(client, hall.zone)).count("Supply PS 1 delivers 2.08 A") == 1


def test_on_an_earlier_day_it_shows_that_day_and_leads_back(hall: Hall, client: Client) -> None:
    push_past(hall)
    html = html_of(client, hall.zone, on=(LATER - dt.timedelta(days=1)).isoformat())
    # 40 × 0.04 A = 1.60 A of 1.60 A
    assert "Past" not in part(html, "figures")
    assert "Supply PS 1 delivers 1.60 A (" in part(html, "figures")
    assert f'<a href="/zones/{hall.zone.pk}">Show today</a>' in html
    assert f'href="/closets/{hall.closet.pk}?on=' in html


def test_a_run_is_shown_back_to_the_port(hall: Hall, client: Client) -> None:
    point_alter(
        factories.change(hall.site), point=hall.points[19],
        feed_supply=factories.make_supply(hall.closet, name="PS 2"),
    )  # fmt: skip
    fed = part(html_of(client, hall.zone), "feeds")
    assert f"Run R1 Self-amplified Block {hall.block.name} in {hall.closet.name}" in fed
    assert "Sound from output 1 of GW 1 Connected to port 3 of SW 1" in fed
    assert f"Supply PS 1 , PS 2 at {hall.points[19].name}" in fed
    assert "Amplifier" not in fed


def test_what_feeds_it_and_is_not_recorded_is_said(hall: Hall, client: Client) -> None:
    zone = factories.make_zone(hall.site, name="Yard")
    factories.make_run(hall.block, zone=zone, name="R3")
    factories.make_run(hall.block, zone=zone, name="L1", kind=Run.Kind.CONSTANT_VOLTAGE)
    fed = part(html_of(client, zone), "feeds")
    assert re.search(r"Run L1 Constant voltage .* Sound from not recorded Amplifier not recorded", fed)
    assert re.search(r"Run R3 Self-amplified .* Sound from not recorded Supply not recorded", fed)


def test_points_on_another_zones_run_are_counted(hall: Hall, client: Client) -> None:
    point_alter(factories.change(hall.site), point=hall.points[-1], zone=hall.gangway)
    assert "Run R1 Self-amplified; of another zone, 1 point heard here" in part(
        html_of(client, hall.gangway), "feeds"
    )


def test_a_zone_that_nothing_feeds_says_so_and_has_no_verdict(hall: Hall, client: Client) -> None:
    html = html_of(client, factories.make_zone(hall.site, name="Annex"))
    assert "Nothing is recorded that feeds this zone: no run and no network speaker." in html
    assert 'class="verdict' not in html
    assert "Within" not in html


def test_a_network_speaker_stands_with_its_power(hall: Hall, client: Client) -> None:
    model = factories.make_model(DeviceModel.Kind.NETWORK_SPEAKER)
    speaker = factories.make_gateway(hall.closet, model, name="NS 1")
    zone_endpoint_add(factories.change(hall.site), zone=hall.zone, endpoint=speaker)
    assert "Network speakers: 1 NS 1 :" in part(html_of(client, hall.zone), "feeds")


def test_every_caution_of_the_answer_is_there(hall: Hall, client: Client) -> None:
    html = html_of(client, hall.zone)
    api: Any = client.get(f"/api/v1/zones/{hall.zone.pk}/load").json()
    assert len(api["cautions"]) > 1
    for caution in api["cautions"]:
        assert escape(caution["text"]) in html


def test_before_it_stood_it_is_not_there(hall: Hall, client: Client) -> None:
    day = factories.BUILT_ON - dt.timedelta(days=1)
    answer = client.get(f"/zones/{hall.zone.pk}", {"on": day.isoformat()})
    assert answer.status_code == 404
    assert "it began on" in answer.content.decode()


def test_more_runs_cost_no_more_queries(hall: Hall, client: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            html_of(client, hall.zone)
        return len(caught)

    push_past(hall)
    queries()  # notes that it was opened
    before = queries()
    for number in range(3, 7):
        factories.make_run(
            factories.make_block(hall.closet), zone=hall.zone, name=f"R{number}", output=hall.output
        )
    check([hall.site.pk])
    assert queries() == before <= 36


def test_a_zone_of_many_runs_stays_small(hall: Hall, client: Client) -> None:
    for number in range(3, 23):
        run = factories.make_run(hall.block, zone=hall.zone, name=f"R{number}", supply=hall.supply)
        factories.make_points(run, 2, hall.speaker)
    html = html_of(client, hall.zone)
    assert html.count("<h3>Run ") == 21
    assert len(html.encode()) <= 200_000
