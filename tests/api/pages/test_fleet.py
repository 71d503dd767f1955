"""The fleet: what waits, what is new, the most severe cases first, and that it stays small."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from django.utils.html import escape

from api.pages.days import in_sentence
from api.pages.fleet.fleet import CASES, last_monday
from sites.changes.services import change_set_draft
from sites.models import User
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.api.v1.test_findings import add_speakers
from tests.halls import Hall, more_speakers
from zones.electrical.subjects import SubjectKind
from zones.findings.named_changes import unattributed
from zones.models import Case, Finding, Zone
from zones.recheck.batch import check
from zones.services.zones import zone_alter

MOST_QUERIES = 20
MOST_BYTES = 100_000
SILENCE, HAZARD = 20, 30
"""Column ``gravity`` of a case that may silence a zone or start a fire, without the part of its verdict."""


@pytest.fixture
def client(manager: User, logged_in: Caller) -> Client:
    return logged_in(manager)


def html_of(client: Client, **query: str) -> str:
    answer = client.get("/fleet", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def add_cases(
    hall: Hall,
    count: int,
    *,
    opened_at: dt.datetime | None = None,
    verdict: int = 4,
    code: str = "supply_current",
) -> None:
    """Cases of one finding each, on supplies of their own."""
    at = opened_at or timezone.now()
    gravity = (HAZARD if code == "wiring_class" else SILENCE) + verdict
    for _ in range(count):
        supply = factories.make_supply(hall.closet)
        case = Case.objects.create(
            site=hall.site, key=f"supply {supply.pk}", opened_at=at, changed_at=at, gravity=gravity
        )
        Finding.objects.create(
            site=hall.site, case=case, code=code, subject_kind=SubjectKind.SUPPLY,
            subject_id=supply.pk, verdict=verdict, gravity=gravity, low=2.0, likely=2.1, high=2.2,
            limit_value=1.6, attribution=unattributed(), opened_at=at, changed_at=at,
        )  # fmt: skip


def test_with_nothing_past_it_says_so_in_the_words_of_the_api(hall: Hall, client: Client) -> None:
    assert "Nothing is past." in html_of(client)
    add_cases(hall, 2, verdict=2)
    html = html_of(client)
    assert "Nothing is past; cannot tell for 2 cases." in html
    assert "<article>" not in html
    assert html_of(client, show="all").count("<article>") == 2


def test_one_cause_is_one_line_that_names_its_zones_and_the_time_to_respond_by(
    hall: Hall, client: Client
) -> None:
    """52 speakers at 40 mA are 2.08 A of 1.60 A, in one case with the 42 of 40 on an output."""
    factories.make_coverage(factories.make_contract(hall.site.customer, reference="M-7"), hall.site)
    zone_alter(factories.change(hall.site), zone=hall.zone, life_safety=Zone.LifeSafety.YES)
    add_speakers(hall, 12)
    check([hall.site.pk])
    case: dict[str, Any] = client.get("/api/v1/cases?verdict=past").json()["items"][0]
    html = html_of(client)
    assert html.count("<article>") == 1
    assert "1 case is past or probably past" in html
    assert escape(case["findings"][0]["sentence"]) in html
    assert escape(in_sentence(case["findings"][0]["attribution"]["sentence"])) in html
    assert in_sentence(case["response"]) in html
    assert case["response"].startswith("Respond by ")
    assert f'<a href="/cases/{case["id"]}">Case {case["id"]}</a>. Respond by' in html
    assert f"{len(case['findings']) - 1} more figure" in html
    assert re.search(
        r"Ticket hall</\w+> <b>\(life safety\)</b>; <\w[^>]*>Gangway</\w+> \(life safety not recorded\)", html
    )


def test_the_most_severe_stands_first(hall: Hall, client: Client) -> None:
    for code in ("supply_current", "wiring_class", "supply_current"):
        add_cases(hall, 1, code=code)
    assert re.findall(r"<h3>(.+?) <span class=.soft.>(.+?)</span>", html_of(client)) == [
        ("Something may overheat or be destroyed, or the wiring rules are broken", "1 case"),
        ("A zone may fall silent", "2 cases"),
    ]


def test_what_is_new_and_what_cleared_since_monday_are_counted(hall: Hall, client: Client) -> None:
    monday = last_monday(timezone.localtime())
    add_cases(hall, 2)
    add_cases(hall, 1, opened_at=monday - dt.timedelta(minutes=1))
    add_cases(hall, 1)
    Case.objects.filter(pk=Case.objects.latest("pk").pk).update(cleared_at=timezone.now())
    html = html_of(client)
    assert ">2 new cases</a>" in html
    assert ">2 open cases changed, new ones included</a>" in html
    assert "<li>1 case cleared</li>" in html
    assert html_of(client, show="new").count("<article>") == 2
    assert html.count("<article>") == 3


@pytest.mark.parametrize(
    ("day", "monday"),
    [("2026-11-29", "2026-11-23"), ("2026-11-30", "2026-11-23"), ("2026-12-01", "2026-11-30")],
)
def test_last_monday_is_the_one_before_today(day: str, monday: str) -> None:
    """29 November 2026 is a Sunday."""
    now = dt.datetime.fromisoformat(f"{day}T14:05:00+00:00")
    assert last_monday(now) == dt.datetime.fromisoformat(f"{monday}T00:00:00+00:00")


def test_drafts_wait_for_who_may_accept_them(
    hall: Hall, client: Client, reader: User, logged_in: Caller
) -> None:
    change_set_draft(factories.change(hall.site, reason="a second supply"), more_speakers(hall, 1))
    assert "a second supply" in html_of(client)
    assert "a second supply" not in html_of(logged_in(reader))


def test_every_case_is_on_one_page_and_each_page_says_how_many_there_are(hall: Hall, client: Client) -> None:
    add_cases(hall, CASES + 3)
    first = html_of(client)
    assert f"{CASES} of {CASES + 3} cases are on this page." in first
    cursor = re.search(r"cursor=([^\"]+)\"", first)
    assert cursor is not None
    second = client.get(f"/fleet?show=past&cursor={cursor[1]}").content.decode()
    assert f"3 of {CASES + 3} cases are on this page." in second
    supplies = [re.findall(r"Supply (PS \d+) delivers", html) for html in (first, second)]
    assert (len(supplies[0]), len(supplies[1])) == (CASES, 3)
    assert not {*supplies[0]} & {*supplies[1]}
    assert not re.search(r"href=\"[^\"]*cursor=", second)


def test_it_costs_the_same_at_many_sites_and_stays_small(
    hall: Hall, dispatcher: User, logged_in: Caller
) -> None:
    client = logged_in(dispatcher)

    def queries() -> tuple[int, str]:
        with CaptureQueriesContext(connection) as sent:
            html = html_of(client)
        return len(sent), html

    add_cases(hall, 1)
    factories.make_contract(hall.site.customer)
    queries()
    before, _ = queries()
    assert before <= MOST_QUERIES
    add_cases(hall, CASES)
    for _ in range(20):
        site = factories.make_site(hall.site.customer)
        factories.make_coverage(factories.make_contract(hall.site.customer), site)
    after, html = queries()
    assert after == before
    assert len(html.encode()) <= MOST_BYTES
