"""`GET /events`: each event once, whole, in order, and only to those who may see it."""

from __future__ import annotations

import base64
import datetime as dt
import time
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from api.events import feed as feeds
from api.events.publisher import KEPT_FOR, feed_now, forget_events, publish
from sites.models import Customer, Event, Feed, Site, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.events.telling import happen
from tests.api.statements import statements
from tests.api.v1.asking import get


@pytest.fixture
def ticketing(manager: User, with_token: Caller) -> Client:
    return with_token(manager, ["events:read"])


def subjects(answer: dict[str, Any]) -> list[str]:
    return [one["subject"] for one in answer["items"]]


def happened(site: Site, *names: str, **values: Any) -> None:
    happen(site, *names, **values)
    publish()


def test_an_event_is_told_whole(site: Site, ticketing: Client) -> None:
    happened(site, "cases/41", case_key="site 3: change 7", body={"title": "Quay 9", "n": [1, 2.5, None]})
    (event,) = get(ticketing, "events")["items"]
    uid = Event.objects.get().uid
    assert event == {
        "specversion": "1.0",
        "id": str(uid),
        "source": "/api/v1",
        "type": "case.opened",
        "subject": "cases/41",
        "time": "2025-03-14T09:30:00Z",
        "sequence": "000000000001",
        "casekey": "site 3: change 7",
        "datacontenttype": "application/json",
        "data": {"title": "Quay 9", "n": [1, 2.5, None]},
    }


def test_what_is_not_published_is_not_told(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1")
    happen(site, "cases/2")
    assert subjects(get(ticketing, "events")) == ["cases/1"]


def test_read_on_after_what_was_read(site: Site, ticketing: Client) -> None:
    happened(site, *(f"cases/{number}" for number in range(1, 6)))
    first = get(ticketing, "events?page_size=2")
    assert (subjects(first), first["more"]) == (["cases/1", "cases/2"], True)
    second = get(ticketing, f"events?page_size=3&after={first['next']}")
    assert (subjects(second), second["more"]) == (["cases/3", "cases/4", "cases/5"], False)
    third = get(ticketing, f"events?after={second['next']}")
    assert (third["items"], third["more"]) == ([], False)
    happened(site, "cases/6")
    assert subjects(get(ticketing, f"events?after={third['next']}")) == ["cases/6"]
    # the same again, after a crash of the reader
    assert subjects(get(ticketing, f"events?page_size=3&after={first['next']}")) == subjects(second)


def test_start_now_tells_only_what_comes(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1")
    now = get(ticketing, "events?start=now")
    assert now["items"] == []
    happened(site, "cases/2")
    assert subjects(get(ticketing, f"events?after={now['next']}")) == ["cases/2"]
    assert subjects(get(ticketing, "events?start=oldest")) == ["cases/1", "cases/2"]


def test_only_the_kinds_asked_for_and_the_cursor_moves_past_the_others(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1", kind="case.opened")
    happened(site, "change-sets/2", kind="change_set.accepted")
    first = get(ticketing, "events?kinds=case.opened,case.cleared")
    assert subjects(first) == ["cases/1"]
    assert get(ticketing, f"events?after={first['next']}")["items"] == []


def test_a_page_of_a_rare_kind_reads_through_no_others(site: Site, with_token: Caller) -> None:
    """Of all customers, as a ticketing system asks."""
    happened(site, *(f"cases/{number}" for number in range(300)))
    everybody = with_token(factories.make_user(User.Role.MANAGER, all_customers=True), ["events:read"])
    with statements() as sent:
        assert get(everybody, "events?kinds=case.cleared")["items"] == []
    (asked,) = [statement for statement in sent if 'FROM "event"' in statement]
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE event")
        cursor.execute("SET LOCAL enable_seqscan = off")  # as of many events, which take their time to make
        cursor.execute(f"EXPLAIN {asked}")
        plan = "\n".join(line for (line,) in cursor.fetchall())
    assert "event_of_kind" in plan, plan


def test_nothing_of_another_customer_and_no_count_of_it(
    site: Site, other_site: Site, reader: User, with_token: Caller
) -> None:
    happened(other_site, "cases/1")
    happened(site, "cases/2")
    happened(other_site, "cases/3", "cases/4")
    answer = get(with_token(reader, ["events:read"]), "events?page_size=1")
    assert subjects(answer) == ["cases/2"]
    assert answer["more"] is False
    assert answer["items"][0]["sequence"] == "000000000001"


def test_a_cursor_tells_nobody_how_many_events_others_have(
    site: Site, other_site: Site, reader: User, with_token: Caller
) -> None:
    """Its bytes say neither where in the feed it is, nor which epoch it is of."""
    client = with_token(reader, ["events:read"])
    happened(site, "cases/1")
    before = get(client, "events")["next"]
    happened(other_site, *(f"cases/{number}" for number in range(1_000)))
    after = get(client, "events")["next"]
    assert len(before) == len(after)
    epoch = feed_now().epoch
    assert epoch is not None
    for cursor in (before, after):
        said = b"".join(base64.urlsafe_b64decode(part + "=" * (-len(part) % 4)) for part in cursor.split(":"))
        assert epoch.hex.encode() not in said
        assert b"1001" not in said
    assert get(client, f"events?after={before}")["items"] == []


def test_a_token_for_one_customer_sees_its_events_only(
    site: Site, other_site: Site, customer: Customer, manager: User, with_token: Caller
) -> None:
    happened(site, "cases/1")
    happened(other_site, "cases/2")
    assert subjects(get(with_token(manager, ["events:read"], [customer]), "events")) == ["cases/1"]


def test_a_cursor_outlives_the_token_it_was_given_to(
    site: Site, manager: User, dispatcher: User, with_token: Caller
) -> None:
    happened(site, "cases/1", "cases/2")
    cursor = get(with_token(manager, ["events:read"]), "events?page_size=1")["next"]
    assert subjects(get(with_token(dispatcher, ["events:read"]), f"events?after={cursor}")) == ["cases/2"]


BODY = {
    "site": {"name": "Quay 9", "out_of_hours_phone": "+351 555 0100"},
    "contacts": [
        {"name": "Ada Strand", "phone": "+351 555 0111", "role": "site"},
        {"name": "Rui Vale", "phone": "+351 555 0122", "role": "network"},
    ],
}


def test_telephone_numbers_only_where_asked_for(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1", body=BODY)
    happened(site, "change-sets/1", body={"site": {"name": "Quay 9"}})
    happened(site, "sites/1", body={"contacts": [], "site": {}})
    without = get(ticketing, "events")
    assert "555" not in str(without)
    told = [one["data"] for one in without["items"]]
    assert told[0]["contacts"] == [
        {"name": "Ada Strand", "role": "site"},
        {"name": "Rui Vale", "role": "network"},
    ]
    assert told[0]["site"] == {"name": "Quay 9"}
    assert told[1:] == [{"site": {"name": "Quay 9"}}, {"contacts": [], "site": {}}]
    (full, *_) = get(ticketing, "events?telephones=true")["items"]
    assert full["data"] == BODY


def test_a_page_ends_before_it_is_too_large(
    site: Site, ticketing: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    happened(site, *(f"cases/{number}" for number in range(1, 5)), body={"text": "x" * 1000})
    monkeypatch.setattr(feeds, "LARGEST_PAGE_BYTES", 3000)
    first = get(ticketing, "events")
    assert (subjects(first), first["more"]) == (["cases/1", "cases/2"], True)
    second = get(ticketing, f"events?after={first['next']}")
    assert (subjects(second), second["more"]) == (["cases/3", "cases/4"], False)


def test_an_event_larger_than_a_page_is_told_alone(
    site: Site, ticketing: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    happened(site, "cases/1", "cases/2", body={"text": "x" * 1000})
    monkeypatch.setattr(feeds, "LARGEST_PAGE_BYTES", 100)
    assert subjects(get(ticketing, "events")) == ["cases/1"]


# --- where it starts over ----------------------------------------------------------------------------------


def gone(client: Client, cursor: str) -> dict[str, Any]:
    answer = client.get(f"/api/v1/events?after={cursor}")
    assert answer.status_code == 410
    problem: dict[str, Any] = answer.json()
    assert problem["code"] == "gone"
    return problem


def test_after_a_restore_an_old_cursor_says_where_to_start_again(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1", "cases/2")
    cursor = get(ticketing, "events")["next"]
    Feed.objects.update(database="restored/1/2")
    problem = gone(ticketing, cursor)
    assert "GET /api/v1/cases" in problem["detail"]
    happened(site, "cases/3")
    assert subjects(get(ticketing, f"events?after={problem['now']}")) == ["cases/3"]
    assert subjects(get(ticketing, f"events?after={problem['oldest']}")) == ["cases/1", "cases/2", "cases/3"]


def test_a_cursor_ahead_of_the_feed_is_of_another_life_of_the_database(site: Site, ticketing: Client) -> None:
    happened(site, "cases/1", "cases/2")
    cursor = get(ticketing, "events")["next"]
    Event.objects.filter(sequence=2).delete()
    Feed.objects.update(published=1)
    gone(ticketing, cursor)


def test_a_cursor_from_before_what_was_forgotten(site: Site, ticketing: Client) -> None:
    start = get(ticketing, "events?start=now")["next"]
    happened(site, "cases/1", "cases/2")
    first = get(ticketing, "events?page_size=1")["next"]
    Event.objects.filter(sequence=1).update(published_at=timezone.now() - KEPT_FOR - dt.timedelta(minutes=1))
    assert forget_events() == 1
    gone(ticketing, start)
    assert subjects(get(ticketing, f"events?after={first}")) == ["cases/2"]
    assert subjects(get(ticketing, "events")) == ["cases/2"]


# --- what is asked wrongly --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "parameter"),
    [
        ("after=nonsense", "after"),
        ("after=" + "x" * 201, "after"),
        ("wait=31", "wait"),
        ("wait=-1", "wait"),
        ("wait=soon", "wait"),
        ("page_size=1001", "page_size"),
        ("page_size=0", "page_size"),
        ("kinds=case.exploded", "kinds"),
        ("start=yesterday", "start"),
        ("telephones=perhaps", "telephones"),
        ("cursor=x", "cursor"),
    ],
)
def test_what_is_wrong_is_named(ticketing: Client, query: str, parameter: str) -> None:
    answer = ticketing.get(f"/api/v1/events?{query}")
    assert answer.status_code == 400
    assert [one["parameter"] for one in answer.json()["errors"]] == [parameter]


def test_a_cursor_of_a_list_is_refused(
    site: Site, ticketing: Client, with_token: Caller, manager: User
) -> None:
    factories.make_closet(site)
    factories.make_closet(site)
    cursor = get(with_token(manager), f"closets?page_size=1&site_id={site.pk}")["next"]
    answer = ticketing.get("/api/v1/events", {"after": cursor})
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["code"] == "cursor"


def test_after_and_start_contradict_each_other(ticketing: Client) -> None:
    cursor = get(ticketing, "events")["next"]
    answer = ticketing.get(f"/api/v1/events?after={cursor}&start=now")
    assert answer.status_code == 400
    assert answer.json()["errors"][0]["parameter"] == "start"


# --- waiting ----------------------------------------------------------------------------------------------


def test_where_the_server_keeps_no_connections_a_thread_waits_two_seconds_at_most(
    ticketing: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    slept: list[float] = []
    now = [0.0]

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    monkeypatch.setattr(time, "sleep", sleep)
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    assert get(ticketing, "events?wait=30")["items"] == []
    assert sum(slept) == pytest.approx(2.0, abs=0.11)


def test_who_waits_is_answered_as_soon_as_something_happens(
    site: Site, ticketing: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(time, "sleep", lambda _seconds: happened(site, "cases/1"))
    answer = get(ticketing, "events?wait=30")
    assert subjects(answer) == ["cases/1"]
    assert get(ticketing, f"events?after={answer['next']}")["items"] == []


def test_who_need_not_wait_does_not(site: Site, ticketing: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    happened(site, "cases/1")
    monkeypatch.setattr(time, "sleep", lambda _seconds: pytest.fail("it waited"))
    assert subjects(get(ticketing, "events?wait=30")) == ["cases/1"]
    assert get(ticketing, "events?start=now")["items"] == []


def test_the_feed_is_read_in_a_few_statements(
    site: Site, ticketing: Client, django_assert_max_num_queries: Any
) -> None:
    happened(site, *(f"cases/{number}" for number in range(300)))
    feed_now()
    with django_assert_max_num_queries(6):
        assert len(get(ticketing, "events?page_size=1000")["items"]) == 300
