"""The page that works out a figure: from the inputs to the limit, and what it says where there is none."""

from __future__ import annotations

import datetime as dt
import re
from html import unescape
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from sites.models import Basis, User
from sites.services.power import supply_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.halls import Hall, lose_facts
from zones.recheck.batch import check

LATER = factories.BUILT_ON + dt.timedelta(days=100)


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def html_of(client: Client, address: str, status: int = 200, **query: str) -> str:
    answer = client.get(f"/figures/{address}", query)
    assert answer.status_code == status, answer.content
    return html_in(answer)


def words(html: str) -> str:
    return unescape(" ".join(re.sub(r"<svg.*?</svg>|<[^>]+>", " ", html, flags=re.DOTALL).split()))


def push_past(hall: Hall) -> None:
    """12 more speakers of 40 mA: (30 + 10 + 12) × 0.04 A = 2.08 A of 2 A × 0.8 = 1.60 A."""
    factories.make_points(
        hall.run, 12, hall.speaker, length_m=1.0, current_basis=Basis.MEASURED, happened_on=LATER
    )
    check([hall.site.pk])


def test_it_is_worked_out_from_the_inputs_to_the_limit(hall: Hall, client: Client) -> None:
    push_past(hall)
    html = html_of(client, f"supply_current/supply/{hall.supply.pk}")
    said = words(html)
    assert "Supply current, supply PS 1 Past" in said
    assert "Supply PS 1 delivers 2.08 A" in said
    # (2.08 − 1.60) / 1.60
    assert "Headroom 30 % past its limit" in said
    assert "rated current of the supply 2 A 2 A 2 A data sheet of its model" in said
    assert "Limit: 2 A × 0.8 = 1.6 A." in said
    assert "Counts as near under 10 % headroom" in said
    assert html.count("<td>run R1</td>") == 42
    assert '<svg class="reach"' in html


def test_it_shows_all_that_the_api_says(hall: Hall, client: Client) -> None:
    said = words(html_of(client, f"run_voltage/run/{hall.run.pk}"))
    query = {"explain": "true", "code": "run_voltage"}
    api: Any = client.get(f"/api/v1/runs/{hall.run.pk}/load", query).json()
    (figure,) = api["items"]
    worked = figure["calculation"]
    sentences = [
        figure["sentence"], figure["quantity"], figure["limit_from"], figure["source"], worked["formula"],
        *worked["assumptions"], *(one["text"] for one in worked["steps"]),
        *(one["title"] for one in worked["tables"]), *(one["name"] for one in worked["inputs"]),
    ]  # fmt: skip
    assert len(sentences) > 10
    for sentence in sentences:
        assert " ".join(sentence.split()) in said
    assert f"Decided at {figure['place']['name']}" in said


def test_the_zones_that_depend_on_it_are_named(hall: Hall, client: Client) -> None:
    html = html_of(client, f"supply_current/supply/{hall.supply.pk}")
    for zone in (hall.zone, hall.gangway):
        assert f'<a href="/zones/{zone.pk}">{zone.name}</a>' in html


def test_on_an_earlier_day_it_is_that_days_figure(hall: Hall, client: Client) -> None:
    push_past(hall)
    day = (LATER - dt.timedelta(days=1)).isoformat()
    said = words(html_of(client, f"supply_current/supply/{hall.supply.pk}", on=day))
    # 40 × 0.04 A
    assert "Supply PS 1 delivers 1.60 A (" in said


def test_where_it_cannot_be_judged_it_says_what_is_missing(hall: Hall, client: Client) -> None:
    supply_alter(factories.change(hall.site), supply=hall.supply, model=None)
    said = words(html_of(client, f"supply_current/supply/{hall.supply.pk}"))
    assert "Cannot tell: supply current of supply PS 1." in said
    assert "limit not recorded: rating missing" in said
    assert "Headroom not known" in said


def test_what_cannot_be_computed_says_why(hall: Hall, client: Client) -> None:
    lose_facts(hall.points[3])
    said = words(html_of(client, f"run_voltage/run/{hall.run.pk}"))
    (problem,) = client.get(f"/api/v1/runs/{hall.run.pk}/load").json()["not_computed"]
    assert f"Run R1 cannot be computed: {problem['reason']}." in said


@pytest.mark.parametrize(
    ("address", "said"),
    [
        (
            "supply_curent/supply/1",
            "There is no code 'supply_curent' of figures. Did you mean supply_current?",
        ),
        ("supply_current/suply/1", "There is no kind 'suply' of figures. Did you mean supply?"),
    ],
)
def test_another_code_or_kind_is_a_page_that_says_what_there_is(
    hall: Hall, client: Client, address: str, said: str
) -> None:
    assert said in words(html_of(client, address, status=404))


def test_a_figure_that_the_thing_has_not_is_a_page_that_says_so(hall: Hall, client: Client) -> None:
    said = words(html_of(client, f"run_voltage/supply/{hall.supply.pk}", status=404))
    assert "supply PS 1 has no figure run_voltage on" in said


def test_what_is_not_theirs_is_as_absent_as_what_is_not_there(
    hall: Hall, outsider: User, logged_in: Caller
) -> None:
    client = logged_in(outsider)
    ours = words(html_of(client, f"supply_current/supply/{hall.supply.pk}", status=404))
    never = words(html_of(client, "supply_current/supply/999999999", status=404))
    assert "PS 1" not in ours
    assert "There is nothing here that you can see." in ours
    assert "There is nothing here that you can see." in never


def test_a_long_calculation_costs_no_more_queries_and_stays_small(hall: Hall, client: Client) -> None:
    address = f"supply_current/supply/{hall.supply.pk}"

    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            html_of(client, address)
        return len(caught)

    before = queries()  # the whole site is evaluated, and its survey read, since this cannot be judged
    factories.make_points(hall.run, 200, hall.speaker, length_m=1.0)
    assert queries() <= before <= 50
    html = html_of(client, address)
    assert html.count("<td>run R1</td>") == 230
    assert len(html.encode()) <= 100_000
