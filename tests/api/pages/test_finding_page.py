"""The page of a finding: what it says of its change and its response, and what people do on it."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.pages.findings.named_changes import named_changes, since
from sites.changes.services import change_accept
from sites.models import ChangeSet, DeviceModel, User
from sites.services.power import supply_alter
from sites.services.sites import site_alter
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in
from tests.halls import Hall, more_speakers
from zones.limits.registry import limit_by_code
from zones.models import Finding, Point
from zones.recheck.batch import check

ADDED = dt.date(2024, 6, 12)
MOST_QUERIES = 20
MOST_BYTES = 100_000


@pytest.fixture
def added(hall: Hall) -> ChangeSet:
    """Twelve more: 52 speakers at 40 mA are 2.08 A, of which the 2 A supply may deliver 1.60 A."""
    change = factories.change(
        hall.site,
        happened_on=ADDED,
        reason="more sound",
        job_reference="LS-2207",
        actor="R. Ondine",
        done_by="Hallam Crew",
    )
    made = change_accept(change, more_speakers(hall, 12)).change_set
    check([hall.site.pk])
    return made


@pytest.fixture
def finding(hall: Hall, added: ChangeSet) -> Finding:
    return Finding.objects.get(code="supply_current", subject_id=hall.supply.pk)


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def page(client: Client, finding: Finding, status: int = 200) -> str:
    answer = client.get(f"/findings/{finding.pk}")
    assert answer.status_code == status, answer.content
    return html_in(answer)


def hidden(html: str) -> dict[str, str]:
    """What the forms of the page send beside what is typed."""
    return {
        name: found[1].replace("&quot;", '"')
        for name in ("version", "seen")
        if (found := re.search(rf'name="{name}" value="([^"]*)"', html))
    }


def send(client: Client, finding: Finding, act: str, status: int = 303, **typed: str) -> str:
    """Fill in a form of the page as it is now."""
    shown = hidden(page(client, finding))
    answer = client.post(f"/findings/{finding.pk}", {"act": act, **shown, **typed})
    assert answer.status_code == status, answer.content.decode()
    return html_in(answer)


def facts(html: str) -> dict[str, str]:
    """Labels and values, without marks."""
    return {
        label: re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", value)).strip()
        for label, value in re.findall(r"<dt>(.*?)</dt><dd>(.*?)</dd>", html, re.DOTALL)
    }


# --- what it says -------------------------------------------------------------------------------------------


def test_it_names_the_change_who_did_it_and_the_figure_before_and_after(
    client: Client, finding: Finding, added: ChangeSet
) -> None:
    html, said = page(client, finding), facts(page(client, finding))
    assert "<strong>1.60 A → 2.08 A</strong>; limit 1.60 A" in html
    assert (said["Done by"], said["Recorded by"]) == ("Hallam Crew", "R. Ondine")
    assert (said["Day"], said["Job"], said["Reason"]) == ("12 Jun 2024", "LS-2207", "more sound")
    assert f'<a href="/changes/{added.pk}">Change set {added.pk}</a>' in html


def test_a_figure_that_did_not_move_stands_once(client: Client, hall: Hall) -> None:
    """40 speakers at 40 mA draw 1.60 A as before, of which the 1 A supply may deliver 0.80 A."""
    smaller = factories.make_model(DeviceModel.Kind.SUPPLY, rated_current_a=1.0)
    supply_alter(factories.change(hall.site, happened_on=ADDED), supply=hall.supply, model=smaller)
    check([hall.site.pk])
    html = page(client, Finding.objects.get(code="supply_current", subject_id=hall.supply.pk))
    assert "<strong>1.60 A</strong>; limit 0.80 A" in html


def test_no_line_ends_between_a_number_and_its_unit(client: Client, finding: Finding) -> None:
    html = client.get(f"/findings/{finding.pk}").content.decode()
    assert "1.60~A → 2.08~A".replace("~", "\N{NO-BREAK SPACE}") in html


def test_since_when_it_is_past_stands_apart_from_since_when_it_is_known(
    client: Client, finding: Finding
) -> None:
    zone = finding.site.time_zone
    said = facts(page(client, finding))
    opened = finding.opened_at.astimezone(ZoneInfo(zone))
    # in the high estimate the forty of 2024 were past already
    assert said["Past since"] == "between 4 Mar 2024 and 12 Jun 2024"
    assert said["Known here since"] == f"{opened:%-d %b %Y, %H:%M} ({zone})"


def test_the_time_to_respond_is_a_clock_time_at_the_site(
    client: Client, finding: Finding, hall: Hall
) -> None:
    contract = factories.make_contract(hall.site.customer, response_hours=8)
    factories.make_coverage(contract, hall.site)
    site_alter(factories.change(hall.site), time_zone="America/Halifax")
    # eight hours around the clock, since no hours of cover are recorded
    due = (finding.opened_at + dt.timedelta(hours=8)).astimezone(ZoneInfo("America/Halifax"))
    html = page(client, finding)
    assert f"Respond by <strong>{due:%-d %b %Y, %H:%M} (America/Halifax)</strong>" in html
    assert contract.reference in facts(html)["Contract"]


def test_it_leads_to_closet_case_and_site_and_names_zones_with_their_life_safety(
    client: Client, finding: Finding, hall: Hall
) -> None:
    html = page(client, finding)
    for address in (
        f"/closets/{hall.closet.pk}",
        f"/cases/{finding.case_id}",
        f"/sites/{hall.site.pk}",
    ):
        assert f'href="{address}"' in html
    zones = html.split('id="zones"')[1].split("</section>")[0]
    assert re.findall(r"Ticket hall|Gangway", zones)
    assert zones.count("life safety: not recorded") == 2


def test_a_cleared_one_says_by_what(client: Client, finding: Finding, hall: Hall) -> None:
    last = list(Point.objects.filter(run=hall.run).order_by("-rank")[:12])
    change = factories.change(
        hall.site, happened_on=ADDED + dt.timedelta(days=1), reason="too much", job_reference="T-9"
    )
    operations = [{"op": "point.remove", "point_id": point.pk} for point in last]
    removed = change_accept(change, operations).change_set
    check([hall.site.pk])
    html = page(client, finding)
    assert "2.08 A, limit 1.60 A before" in html
    assert "1.60 A after" in html
    assert f"Cleared by change set {removed.pk} on 13 Jun 2024" in html
    assert re.findall(r'name="act" value="([^"]*)"', html) == ["outcome"]


def test_work_that_a_correction_rewrote_names_both() -> None:
    def of(pk: int, reason: str) -> dict[str, Any]:
        return {
            "id": pk, "day": "2024-06-12", "actor": "R. Ondine", "done_by": "", "job_reference": "",
            "reason": reason,
        }  # fmt: skip

    change = {
        "cause": "correction", "day": "2024-06-12", "what": "12 wall speakers added", "note": None,
        "change_set": of(5, "more sound"), "correction": of(9, "counted again"),
        "before": 1.6, "after": 2.08, "limit": 1.6,
    }  # fmt: skip
    attribution = {"cause": "correction", "day": "2024-06-12", "between": None, "change": change}
    (named,) = named_changes(attribution, limit_by_code("supply_current"))
    assert [(part.heading, part.id) for part in named.parts] == [
        ("The work", 5),
        ("The correction of the record that showed it", 9),
    ]


def test_a_range_names_both_ends() -> None:
    def end(day: str, cause: str, before: float | None, after: float) -> dict[str, Any]:
        return {
            "cause": cause, "day": day, "what": "", "note": None, "change_set": None, "correction": None,
            "before": before, "after": after, "limit": 1.6,
        }  # fmt: skip

    ends = {
        "since": end("2024-02-14", "as_found", None, 1.35),
        "until": end("2024-09-05", "addition", 1.35, 2.0),
    }
    attribution = {"cause": "addition", "day": "2024-09-05", "between": ends, "change": ends["until"]}
    first, last = named_changes(attribution, limit_by_code("supply_current"))
    assert (first.heading, first.before, first.after) == ("As found on 14 Feb 2024", "no figure", "1.35 A")
    assert (last.before, last.after, last.limit) == ("1.35 A", "2.00 A", "limit 1.60 A")
    assert since(attribution) == "between 14 Feb 2024 and 5 Sep 2024"


# --- what people do on it -----------------------------------------------------------------------------------


def test_it_is_acknowledged_and_taken_back(client: Client, finding: Finding, dispatcher: User) -> None:
    send(client, finding, "acknowledge", state_reason="a larger supply is ordered")
    html = page(client, finding)
    said = facts(html)
    assert (said["State"], said["State set by"]) == ("acknowledged", dispatcher.username)
    assert said["Reason"] == "a larger supply is ordered"
    assert re.findall(r'name="act" value="([^"]*)"', html) == ["defer", "take-back", "outcome"]
    send(client, finding, "take-back")
    assert facts(page(client, finding))["State"] == "open"


def test_it_is_deferred_until_a_day_with_the_reason(client: Client, finding: Finding) -> None:
    send(client, finding, "defer", deferred_until="2190-12-24", state_reason="after the season")
    assert facts(page(client, finding))["State"] == "deferred until 24 Dec 2190"


def test_an_outcome_is_kept(client: Client, finding: Finding) -> None:
    send(client, finding, "outcome", outcome="record_wrong")
    assert facts(page(client, finding))["Outcome"] == "record was wrong"


def test_a_refused_day_stays_beside_what_would_be_right(client: Client, finding: Finding) -> None:
    html = send(
        client, finding, "defer", 400, deferred_until="2024-01-05", state_reason="after the <b>season</b>"
    )
    assert "2024-01-05 is not after today at this site. Give a later day." in html
    assert 'value="2024-01-05"' in html
    assert "after the &lt;b&gt;season&lt;/b&gt;" in html
    assert 'aria-invalid="true"' in html
    finding.refresh_from_db()
    assert finding.state == Finding.State.OPEN


def test_what_is_left_out_is_named(client: Client, finding: Finding) -> None:
    html = send(client, finding, "defer", 400, deferred_until="2190-12-24")
    assert "A deferral says why." in html
    assert 'value="2190-12-24"' in html


def test_who_comes_second_reads_what_changed_and_by_whom_and_can_send_it_again(
    client: Client, finding: Finding, technician: User, logged_in: Caller
) -> None:
    shown = hidden(page(client, finding))
    send(logged_in(technician), finding, "acknowledge", state_reason="supply ordered")
    typed = {"act": "defer", "deferred_until": "2190-12-24", "state_reason": "after the season"}
    answer = client.post(f"/findings/{finding.pk}", {**typed, **shown})
    html = answer.content.decode()
    assert answer.status_code == 412
    assert "It is acknowledged now by Rune Vale (“supply ordered”)." in html
    assert "after the season" in html
    finding.refresh_from_db()
    assert finding.state == Finding.State.ACKNOWLEDGED
    answer = client.post(f"/findings/{finding.pk}", {**typed, **hidden(html)})
    assert answer.status_code == 303
    finding.refresh_from_db()
    assert finding.state == Finding.State.DEFERRED


def test_who_may_not_act_sees_no_form_and_can_send_none(
    reader: User, logged_in: Caller, finding: Finding, client: Client
) -> None:
    theirs = logged_in(reader)
    assert 'name="act"' not in page(theirs, finding)
    shown = hidden(page(client, finding))
    answer = theirs.post(f"/findings/{finding.pk}", {"act": "acknowledge", **shown})
    assert answer.status_code == 403
    finding.refresh_from_db()
    assert finding.state == Finding.State.OPEN


def test_a_form_of_another_place_writes_nothing(
    dispatcher: User, logged_in: Caller, finding: Finding, client: Client
) -> None:
    shown = hidden(page(client, finding))
    answer = logged_in(dispatcher, csrf=False).post(
        f"/findings/{finding.pk}", {"act": "acknowledge", **shown}
    )
    assert answer.status_code == 403
    finding.refresh_from_db()
    assert finding.state == Finding.State.OPEN


def test_to_others_there_is_nothing_to_act_on(
    outsider: User, logged_in: Caller, finding: Finding, client: Client
) -> None:
    shown = hidden(page(client, finding))
    answer = logged_in(outsider).post(f"/findings/{finding.pk}", {"act": "acknowledge", **shown})
    assert answer.status_code == 404


def test_an_act_that_there_is_not_is_refused(client: Client, finding: Finding) -> None:
    assert "The form names no act of this page" in send(client, finding, "clear", 400)


# --- what it costs ------------------------------------------------------------------------------------------


def test_it_takes_few_queries_however_much_was_added(client: Client, finding: Finding, hall: Hall) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as sent:
            html = page(client, finding)
        assert len(html.encode()) < MOST_BYTES
        return len(sent)

    queries()  # the first one reads what a process reads once
    before = queries()
    assert before <= MOST_QUERIES
    change = factories.change(hall.site, happened_on=ADDED + dt.timedelta(days=2))
    last = Point.objects.filter(run=hall.run).order_by("-rank").first()
    assert last is not None
    more = more_speakers(hall, 20)
    more[0]["after_id"] = last.pk
    change_accept(change, more)
    check([hall.site.pk])
    assert queries() == before
