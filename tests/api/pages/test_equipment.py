"""The pages of what stands in a closet: a supply, an amplifier, a networked device."""

from __future__ import annotations

import datetime as dt
import re

from django.test import Client

from api.pages.days import in_sentence
from sites.models import Basis
from sites.services.power import supply_alter
from tests import factories
from tests.api.pages.reading import MOST_BYTES, facts_of, html_of, queries_of, text_of
from tests.halls import Hall
from zones.models import Run, Zone
from zones.recheck.batch import check
from zones.services.points import point_alter
from zones.services.runs import run_end
from zones.services.zones import zone_alter

MOST_QUERIES = 20
"""Six answers of the API make up the page."""


def add_speakers(hall: Hall) -> None:
    """12 more wall speakers at 40 mA: with the 40 there, 52 × 0.04 A = 2.08 A on a 2 A supply whose limit is
    0.8 × 2 A = 1.60 A."""
    factories.make_points(
        hall.run,
        12,
        hall.speaker,
        happened_on=dt.date(2025, 3, 14),
        length_m=1.0,
        current_basis=Basis.MEASURED,
    )


def test_a_supply_that_is_past_says_by_how_much_and_since_which_change(hall: Hall, client: Client) -> None:
    add_speakers(hall)
    check([hall.site.pk])
    html = html_of(client, f"supplies/{hall.supply.pk}")
    assert re.search(r'<h1>Supply PS 1 <span class="verdict past">Past</span></h1>', html)
    text = text_of(html)
    # ± 5 % of what is measured: 1.976 A to 2.184 A
    assert "Supply PS 1 delivers 2.08 A (1.98 A to 2.18 A) during a page; limit 1.60 A." in text
    finding = client.get(f"/api/v1/findings?site_id={hall.site.pk}&code=supply_current").json()["items"][0]
    assert "2025-03-14" in finding["attribution"]["sentence"]
    assert in_sentence(finding["attribution"]["sentence"]) in text


def test_a_supply_says_what_is_behind_it_and_what_nobody_recorded(hall: Hall, client: Client) -> None:
    supply_alter(
        factories.change(hall.site),
        supply=hall.supply,
        outlet="left of the rack",
        battery_installed_on=dt.date(2022, 5, 9),
    )
    html = html_of(client, f"supplies/{hall.supply.pk}")
    facts = facts_of(html)
    assert facts["Outlet"] == "left of the rack"
    assert facts["Battery installed on"] == "9 May 2022"
    assert facts["Breaker"] == facts["UPS"] == facts["Class 2 marking"] == "not recorded"
    assert facts["Rated current"] == "2.00 A"


def test_a_supply_names_the_runs_it_feeds_with_what_is_past_on_them(hall: Hall, client: Client) -> None:
    elsewhere = factories.make_supply(hall.closet, name="PS 9")
    point_alter(factories.change(hall.site), point=hall.points[4], feed_supply=elsewhere)
    html = html_of(client, f"supplies/{hall.supply.pk}")
    assert re.findall(r"<li><(?:b|a href=[^>]*)>(R\d)</", html) == ["R1", "R2"]
    assert "Runs that it feeds along their way" not in html
    assert "fed at point 5, place not recorded" in text_of(html_of(client, f"supplies/{elsewhere.pk}"))
    run_end(factories.change(hall.site), run=hall.gangway_run)
    assert re.findall(r"<li><(?:b|a href=[^>]*)>(R\d)</", html_of(client, f"supplies/{hall.supply.pk}")) == [
        "R1"
    ]


def test_life_safety_of_what_depends_on_it_stands_before_its_figures(hall: Hall, client: Client) -> None:
    zone_alter(factories.change(hall.site), zone=hall.gangway, life_safety=Zone.LifeSafety.YES)
    check([hall.site.pk])
    text = text_of(html_of(client, f"supplies/{hall.supply.pk}"))
    places = [
        text.index(said)
        for said in ("Life safety: yes. Gangway", "Life safety not recorded: Ticket hall", "Figures")
    ]
    assert places == sorted(places)
    assert "Gangway life safety: yes" in text
    assert "Ticket hall life safety: not recorded" in text


def test_a_supply_on_an_earlier_day_is_shown_as_it_was(hall: Hall, client: Client) -> None:
    add_speakers(hall)
    check([hall.site.pk])
    # 40 × 0.04 A = 1.60 A: at its limit, not past
    text = text_of(html_of(client, f"supplies/{hall.supply.pk}", on="2025-03-13"))
    assert "As of 13 Mar 2025" in text
    assert "1.60 A" in text
    assert "2.08 A" not in text
    before = client.get(f"/supplies/{hall.supply.pk}?on=2024-03-03")
    assert before.status_code == 404
    assert "it began on 2024-03-04" in before.content.decode()


def test_an_amplifier_says_what_it_drives(hall: Hall, client: Client) -> None:
    amplifier = factories.make_amplifier(hall.closet, name="A 1", outlet="rack, socket 4")
    factories.make_run(
        hall.block, kind=Run.Kind.CONSTANT_VOLTAGE, zone=hall.zone, name="L1", amplifier=amplifier
    )
    html = html_of(client, f"amplifiers/{amplifier.pk}")
    facts = facts_of(html)
    assert facts["Line voltage"] == "70.7 V"
    assert facts["Outlet"] == "rack, socket 4"
    assert facts["Rated power"] == "120 W"
    assert facts["Wiring class marked at its outputs"] == "not recorded"
    assert "L1 zone Ticket hall" in text_of(html)


def test_an_amplifier_without_a_line_voltage_is_of_low_impedance(hall: Hall, client: Client) -> None:
    amplifier = factories.make_amplifier(hall.closet, line_voltage_v=None)
    html = html_of(client, f"amplifiers/{amplifier.pk}")
    assert "<dt>Line voltage</dt><dd>none: low impedance</dd>" in html


def test_a_supply_of_many_runs_costs_no_more_queries(hall: Hall, client: Client) -> None:
    check([hall.site.pk])
    path = f"supplies/{hall.supply.pk}"
    html_of(client, path)  # it is noted as opened last
    few, html = queries_of(client, path)
    for number in range(40):
        factories.make_run(hall.block, zone=hall.zone, name=f"S{number}", supply=hall.supply)
    check([hall.site.pk])
    many, html = queries_of(client, path)
    assert html.count("<li>") >= 42
    assert many == few <= MOST_QUERIES
    assert len(html) <= MOST_BYTES
