"""The page of a change set: what was recorded and what it led to; of a draft, what it would do."""

from __future__ import annotations

import re
from urllib.parse import unquote

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from api.pages.findings.record_rows import record_rows, rows_in_words
from api.pages.findings.row_names import names_of
from sites.access.scope import EVERYTHING
from sites.access.selectors import principal_of
from sites.changes.services import change_accept, change_set_draft
from sites.models import ChangeSet, DeviceModel, Output, User
from sites.models.changes import Change
from tests import factories
from tests.api.conftest import Caller
from tests.api.pages.reading import html_in, text_of
from tests.api.pages.test_finding_page import ADDED, facts
from tests.halls import Hall, more_speakers
from zones.models import Finding, Point, Run, Zone
from zones.recheck.batch import check


@pytest.fixture
def client(dispatcher: User, logged_in: Caller) -> Client:
    return logged_in(dispatcher)


def page(client: Client, made: ChangeSet, **query: str) -> str:
    answer = client.get(f"/changes/{made.pk}", query)
    assert answer.status_code == 200, answer.content
    return html_in(answer)


def part(html: str, name: str) -> str:
    """One section of the page."""
    return html.split(f'<h2 id="{name}">')[1].split("</section>")[0]


def test_it_says_what_was_done_and_leads_to_what_it_led_to(client: Client, hall: Hall) -> None:
    change = factories.change(
        hall.site, happened_on=ADDED, reason="more sound", job_reference="LS-2207",
        actor="R. Ondine", done_by="Hallam Crew",
    )  # fmt: skip
    made = change_accept(change, more_speakers(hall, 12)).change_set
    check([hall.site.pk])
    finding = Finding.objects.get(code="supply_current", subject_id=hall.supply.pk)
    html = page(client, made)
    said = facts(html)
    assert (said["Done by"], said["Recorded by"], said["Job"]) == ("Hallam Crew", "R. Ondine", "LS-2207")
    assert said["Day"] == "12 Jun 2024"
    led_to = part(html, "effect")
    assert f'<a href="/cases/{finding.case_id}">' in led_to
    assert f'<a href="/findings/{finding.pk}">' in led_to
    assert "went from 1.60 A to 2.08 A; limit 1.60 A" in led_to
    assert "Lines: 12" in html
    assert "A device, splice or uncounted group is connected to a run" in part(html, "lines")
    assert part(html, "record").count("<b>1 point added</b>") == 12


def test_a_draft_is_not_the_record_and_says_what_it_would_cross(client: Client, hall: Hall) -> None:
    check([hall.site.pk])
    draft = change_set_draft(factories.change(hall.site, happened_on=ADDED), more_speakers(hall, 12))
    points = Point.objects.count()
    html = page(client, draft)
    assert "Not the record yet" in html
    effect = part(html, "effect")
    crosses = effect.split("Would cross a limit: ")[1].split("<h3>")[0]
    assert "2.08 A" in crosses
    assert "Past already, and worse: none" in effect
    assert Point.objects.count() == points
    assert not Finding.objects.filter(site=hall.site, code="supply_current").exists()


def test_a_draft_that_makes_worse_what_is_past_says_so_though_it_crosses_nothing(
    client: Client, hall: Hall
) -> None:
    change_accept(factories.change(hall.site, happened_on=ADDED), more_speakers(hall, 12))
    check([hall.site.pk])
    (more,) = more_speakers(hall, 1)
    last = Point.objects.filter(run=hall.run).order_by("-rank").first()
    assert last is not None
    draft = change_set_draft(factories.change(hall.site, happened_on=ADDED), [{**more, "after_id": last.pk}])
    effect = part(page(client, draft), "effect")
    assert "Would cross a limit: none" in effect
    # 53 speakers at 40 mA
    assert "2.12 A" in effect.split("Past already, and worse: ")[1].split("<h3>")[0]


def test_a_draft_whose_ground_is_gone_says_why(client: Client, hall: Hall) -> None:
    last = hall.points[-1]
    draft = change_set_draft(
        factories.change(hall.site, happened_on=ADDED), [{"op": "point.remove", "point_id": last.pk}]
    )
    change_accept(
        factories.change(hall.site, happened_on=ADDED), [{"op": "point.remove", "point_id": last.pk}]
    )
    assert "It cannot be accepted as it is" in part(page(client, draft), "effect")


def test_a_long_one_is_cut_with_its_count_and_a_link_to_the_rest(client: Client, hall: Hall) -> None:
    made = change_accept(factories.change(hall.site, happened_on=ADDED), more_speakers(hall, 70)).change_set
    html = page(client, made)
    assert "Lines: 70" in html
    assert part(html, "lines").count("<li>") == 60
    assert '<a href="?line=60">Lines from 61 on</a>' in html
    assert part(page(client, made, line="60"), "lines").count("<li>") == 10
    assert len(html.encode()) < 100_000
    # each wrote a point and its facts, 50 statements a page
    record = part(html, "record")
    assert record.count("<li>") == 50
    cursor = re.search(r'href="[?]cursor=([^#]*)#record">The next statements', record)
    assert cursor is not None
    rest = part(page(client, made, cursor=unquote(cursor[1])), "record")
    assert rest.count("<li>") == 50
    statement = re.search(r'href="[?]statement=(\d+)&amp;cursor=', rest)
    assert statement is not None
    opened = part(page(client, made, cursor=unquote(cursor[1]), statement=statement[1]), "record")
    assert opened.count("<i>run</i>") == 1


def test_many_rows_of_one_statement_are_cut_with_their_count(client: Client, hall: Hall) -> None:
    model = factories.make_model(DeviceModel.Kind.SWITCH, port_count=48)
    switch = factories.make_switch(hall.closet, model)
    ports = Change.objects.get(table_name="switch_port", change_set=switch.change_set)
    rows = part(page(client, switch.change_set, statement=str(ports.pk)), "record")
    assert "Rows 1 to 40 of 48." in rows
    rest = part(page(client, switch.change_set, statement=str(ports.pk), rows_from="40"), "record")
    assert "Rows 41 to 48 of 48." in rest
    assert rest.count("Switch port ") == 8


@pytest.mark.parametrize(
    ("count", "table", "words"),
    [
        (1, "point", "1 point"), (25, "device_model", "25 device models"), (2, "switch", "2 switches"),
        (12, "point_facts", "facts of 12 points"), (1, "switch_facts", "facts of 1 switch"),
    ],
)  # fmt: skip
def test_rows_are_counted_by_what_they_are_of(count: int, table: str, words: str) -> None:
    assert rows_in_words(count, table) == words


def test_rows_that_changed_show_what_changed_before_and_after() -> None:
    row = {"point_id": 5, "step": 9, "site_id": 1, "length_m": 10.0, "place": "bar", "change_set_id": 3}
    statement = {
        "table": "point_facts",
        "done": "changed",
        "old_rows": [row],
        "new_rows": [{**row, "length_m": 12.5, "change_set_id": 4}],
    }
    (shown,) = record_rows(statement, {(Point, 5): "P5"})
    assert shown.title == "Point facts of P5"
    ((value),) = shown.values
    assert (value.before, value.now) == ("10 m", "12.5 m")


def test_rows_that_were_added_say_what_is_recorded_in_words() -> None:
    row = {"id": 7, "name": "P5", "rank": 5, "run_id": 3, "site_id": 1, "change_set_id": 3}
    statement = {"table": "point", "done": "added", "old_rows": None, "new_rows": [row]}
    (shown,) = record_rows(statement, {(Run, 3): "run R1"})
    assert shown.title == "Point P5"
    assert [(value.label, value.now) for value in shown.values] == [("rank", "5"), ("run", "R1")]
    (nameless,) = record_rows(statement, {})
    assert ("run", "3") in [(value.label, value.now) for value in nameless.values]


@pytest.mark.parametrize(
    ("days", "said"),
    [("[2019-01-01,)", "from 1 Jan 2019"), ("[2019-04-01,2024-04-01)", "1 Apr 2019 to 31 Mar 2024")],
)
def test_days_of_cover_are_written_out(days: str, said: str) -> None:
    row = {"id": 1, "days": days}
    (shown,) = record_rows({"table": "coverage", "done": "added", "old_rows": None, "new_rows": [row]}, {})
    assert [(value.label, value.now) for value in shown.values] == [("days", said)]


def test_lines_and_rows_name_what_they_refer_to(client: Client, hall: Hall) -> None:
    (added,) = more_speakers(hall, 1)
    port = hall.switch.ports.get(number=7)
    made = change_accept(
        factories.change(hall.site, happened_on=ADDED),
        [
            added,
            {"op": "endpoint.move", "endpoint_id": hall.gateway.pk, "port_id": port.pk},
            {"op": "paging_set.add", "name": "Halls", "zone_ids": [hall.zone.pk, hall.gangway.pk]},
        ],
    ).change_set
    html = page(client, made)
    lines = [facts(one) for one in part(html, "lines").split("<li>")[1:]]
    last = hall.points[-1]
    assert (lines[0]["Run"], lines[0]["Model"], lines[0]["After"]) == ("R1", hall.speaker.name, last.name)
    assert f'<dt>Run</dt><dd><a href="/runs/{hall.run.pk}">R1</a></dd>' in html
    assert (lines[1]["Endpoint"], lines[1]["Port"]) == ("GW 1", "7 of SW 1")
    assert lines[2]["Zones"] == "Ticket hall and Gangway"
    statement = Change.objects.get(table_name="point_facts", change_set=made)
    rows = text_of(part(page(client, made, statement=str(statement.pk)), "record"))
    assert f"Point facts of {Point.objects.latest('pk').name}" in rows
    for said in ("run R1", f"model {hall.speaker.name}", f"parent {last.name}"):
        assert said in rows


def test_what_is_outside_the_scope_has_no_name(hall: Hall, outsider: User) -> None:
    """One query, whatever kinds are asked for."""
    keys = [
        (Run, hall.run.pk), (Zone, hall.zone.pk), (Output, hall.output.pk), (DeviceModel, hall.speaker.pk),
    ]  # fmt: skip
    with CaptureQueriesContext(connection) as captured:
        names = names_of(keys, EVERYTHING)
    assert len(captured) == 1
    of_all = {(DeviceModel, hall.speaker.pk): hall.speaker.name}  # the catalogue is shared
    assert names == of_all | {
        (Run, hall.run.pk): "run R1",
        (Zone, hall.zone.pk): "zone Ticket hall",
        (Output, hall.output.pk): "output 1 of GW 1",
    }
    assert names_of(keys, principal_of(outsider).scope) == of_all


def test_shares_are_shown_in_percent_wherever_they_were_written(client: Client, hall: Hall) -> None:
    """0.75 is 75 %, and 0.016 is 1.6 %."""
    altered = {"op": "switch.alter", "switch_id": hall.switch.pk, "usage_threshold": 0.75}
    made = change_accept(factories.change(hall.site, happened_on=ADDED), [altered]).change_set
    said = "<dt>Usage threshold</dt><dd>75 %</dd>"
    assert said in part(page(client, made), "lines")
    assert said in html_in(client.get(f"/switches/{hall.switch.pk}"))
    row = {"id": 7, "instrument_error": 0.05, "change_set_id": 3}
    (shown,) = record_rows(
        {
            "table": "reading",
            "done": "changed",
            "old_rows": [row],
            "new_rows": [{**row, "instrument_error": 0.016, "change_set_id": 4}],
        },
        {},
    )
    assert shown.title == "Test 7"
    ((value),) = shown.values
    assert (value.before, value.now) == ("5 %", "1.6 %")


def test_lines_call_values_as_the_record_does(client: Client, hall: Hall) -> None:
    (added,) = more_speakers(hall, 1)
    made = change_accept(factories.change(hall.site, happened_on=ADDED), [added]).change_set
    lines = part(page(client, made), "lines")
    assert "<dt>Length</dt><dd>1 m</dd>" in lines
    assert "<dt>Length basis</dt><dd>measured</dd>" in lines
