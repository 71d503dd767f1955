"""Events get their places in the feed once they are committed, while others write; epochs; forgetting."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone

from api.events import publisher
from api.events.publisher import KEPT_FOR, feed_now, forget_events, new_epoch, publish, release
from sites.models import Event, Feed, Site
from tests import factories
from tests.api.events.telling import happen
from tests.zones.recheck.conftest import another_connection


def numbered() -> list[tuple[str, int | None, int | None]]:
    """The events as they were written: subject, place in the feed, number among those of the subject."""
    return list(Event.objects.order_by("id").values_list("subject", "sequence", "subject_number"))


def test_events_are_numbered_without_gaps_and_by_subject(site: Site) -> None:
    happen(site, "cases/1", "cases/2", "cases/1")
    assert publish() == 3
    happen(site, "cases/1")
    assert publish() == 1
    assert numbered() == [("cases/1", 1, 1), ("cases/2", 2, 1), ("cases/1", 3, 2), ("cases/1", 4, 3)]
    assert Event.objects.values("uid").distinct().count() == 4
    assert not Event.objects.filter(published_at__isnull=True).exists()
    assert feed_now().published == 4


def test_a_number_is_given_once(site: Site) -> None:
    happen(site, "cases/1")
    publish()
    before = Event.objects.values().get()
    assert publish() == 0
    assert Event.objects.values().get() == before


def test_so_many_at_once_and_the_others_next_time(site: Site) -> None:
    happen(site, *(f"cases/{number}" for number in range(5)))
    assert [publish(most=2) for _ in range(4)] == [2, 2, 1, 0]
    assert [sequence for _, sequence, _ in numbered()] == [1, 2, 3, 4, 5]


WRITE = """INSERT INTO event (kind, customer_id, site_id, subject, case_key, body, happened_at)
           VALUES ('case.opened', %s, %s, 'cases/7', '', '{}', now())"""


@pytest.mark.django_db(transaction=True)
def test_who_commits_late_comes_later_and_is_not_skipped() -> None:
    site = factories.make_site()
    with another_connection() as slow:
        slow.execute("BEGIN")
        slow.execute(WRITE, [site.customer_id, site.pk])
        happen(site, "cases/8")
        assert publish() == 1
        read_until = feed_now().published
        slow.execute("COMMIT")
    assert publish() == 1
    late = Event.objects.get(subject="cases/7")
    assert late.sequence is not None
    assert late.sequence > read_until
    assert late.pk < Event.objects.get(subject="cases/8").pk


@pytest.mark.django_db(transaction=True)
def test_one_publishes_at_a_time() -> None:
    happen(factories.make_site(), "cases/1")
    with another_connection() as other:
        other.execute("BEGIN")
        other.execute("SELECT pg_advisory_xact_lock(hashtext('zonebook feed'))")
        assert publish() == 0
        other.execute("ROLLBACK")
    assert publish() == 1


def say_another_database(name: str = "copied/1/1") -> None:
    Feed.objects.update(database=name)


def test_the_first_epoch_begins_by_itself_and_holds_nothing(site: Site) -> None:
    feed = feed_now()
    assert (feed.published, feed.held_since) == (0, None)
    assert feed.epoch == feed_now().epoch
    happen(site, "cases/1")
    publish()
    assert feed_now().epoch == feed.epoch


def test_another_database_begins_a_new_epoch_and_holds_what_is_pushed(site: Site) -> None:
    happen(site, "cases/1", "cases/2")
    publish()
    before = feed_now()
    say_another_database()
    after = feed_now()
    assert after.epoch != before.epoch
    assert (after.began_after, after.published) == (2, 2)
    assert after.held_since is not None
    assert feed_now() == after
    assert feed_now().epoch == after.epoch
    assert release()
    assert feed_now().held_since is None
    assert not release()


def test_a_publisher_in_another_database_begins_the_epoch_too(site: Site) -> None:
    before = feed_now()
    say_another_database()
    happen(site, "cases/1")
    publish()
    feed = Feed.objects.get()
    assert feed.epoch != before.epoch
    assert (feed.published, feed.began_after) == (1, 0)


@pytest.mark.parametrize(
    "expression",
    [
        "SELECT system_identifier::text FROM pg_control_system()",
        "SELECT oid::text FROM pg_database WHERE datname = current_database()",
        "SELECT timeline_id::text FROM pg_control_checkpoint()",
    ],
)
def test_cluster_database_and_timeline_tell_databases_apart(db: None, expression: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(expression)
        (part,) = cursor.fetchone()
    parts = feed_now().database.split("/")
    assert part in parts
    assert len(parts) == 3


def test_an_epoch_begun_by_hand(site: Site) -> None:
    before = feed_now()
    after = new_epoch()
    assert after.epoch != before.epoch
    assert after.held_since is not None
    assert feed_now().epoch == after.epoch


def test_the_role_of_the_service_publishes(site: Site, as_service: Any) -> None:
    happen(site, "cases/1")
    with as_service():
        assert publish() == 1
        assert feed_now().published == 1


def test_events_are_kept_for_60_days(site: Site) -> None:
    happen(site, "cases/1", "cases/2", "cases/3")
    publish()
    happen(site, "cases/4")  # never published, so not old
    now = timezone.now()
    for sequence, age in ((1, dt.timedelta(days=61)), (2, dt.timedelta(days=60, minutes=1))):
        Event.objects.filter(sequence=sequence).update(published_at=now - age)
    Event.objects.filter(sequence=3).update(published_at=now - dt.timedelta(days=59, hours=23))
    assert dt.timedelta(days=60) == KEPT_FOR
    assert forget_events(now=now) == 2
    assert [subject for subject, _, _ in numbered()] == ["cases/3", "cases/4"]
    assert feed_now().forgotten == 2
    assert forget_events(now=now) == 0


def test_numbers_are_not_given_again_when_everything_is_forgotten(site: Site) -> None:
    happen(site, "cases/1")
    publish()
    Event.objects.update(published_at=timezone.now() - KEPT_FOR - dt.timedelta(days=1))
    forget_events()
    assert not Event.objects.exists()
    happen(site, "cases/1")
    publish()
    assert numbered() == [("cases/1", 2, 2)]


@pytest.mark.django_db(transaction=True)
def test_who_watches_sees_what_is_published() -> None:
    site = factories.make_site()
    looks = iter(publisher.watch_feed(lambda: True, every_s=0))
    assert next(looks) == 0
    happen(site, "cases/1")
    publish()
    assert next(looks) == 1
    looks.close()  # type: ignore[attr-defined]
