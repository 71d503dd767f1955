"""`/metrics`: read by the parser of the format's library; who may ask."""

from __future__ import annotations

import datetime as dt
import time
import uuid

import pytest
from django.test import Client
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from api.events.publisher import feed_now, new_epoch, publish
from sites.models import Delivery, Event, Mark, Site, Subscription, User
from tests import factories
from tests.api.conftest import Caller
from tests.api.events.telling import happen
from zones.recheck.sweep import look_once
from zones.recheck.times import add_recheck_time


@pytest.fixture
def monitoring(manager: User, with_token: Caller) -> Client:
    return with_token(manager, ["admin"])


def metrics(client: Client) -> dict[str, float]:
    answer = client.get("/metrics")
    assert answer.status_code == 200, answer.content
    assert answer["Content-Type"].startswith("text/plain")
    return {
        f"{one.name}{''.join(f' {value}' for value in one.labels.values())}": one.value
        for family in text_string_to_metric_families(answer.content.decode())
        for one in family.samples
    }


def test_what_waits_to_be_recomputed(site: Site, monitoring: Client) -> None:
    Mark.objects.all().delete()
    assert metrics(monitoring)["zonebook_stale_sites interactive"] == 0
    assert metrics(monitoring)["zonebook_stale_seconds interactive"] == 0
    other = factories.make_site(site.customer)
    Mark.objects.all().delete()
    ago = timezone.now() - dt.timedelta(seconds=90)
    for of, lane, at in (
        (site, Mark.Lane.INTERACTIVE, ago),
        (site, Mark.Lane.INTERACTIVE, timezone.now()),
        (other, Mark.Lane.INTERACTIVE, timezone.now()),
        (other, Mark.Lane.SET_ASIDE, timezone.now()),
    ):
        Mark.objects.create(site=of, lane=lane, made_at=at)
    told = metrics(monitoring)
    assert told["zonebook_stale_sites interactive"] == 2
    assert told["zonebook_stale_sites bulk"] == 0
    assert told["zonebook_stale_sites set aside"] == 1
    assert 90 <= told["zonebook_stale_seconds interactive"] < 150


def test_how_long_rechecks_took(site: Site, monitoring: Client) -> None:
    for metric in ("seconds_sum", "seconds_count", "batches_total"):
        assert metrics(monitoring)[f"zonebook_recheck_{metric} interactive"] == 0
    add_recheck_time(Mark.Lane.BULK, 300, 1.25)
    add_recheck_time(Mark.Lane.INTERACTIVE, 10, 0.25)
    add_recheck_time(Mark.Lane.INTERACTIVE, 2, 0.125)
    told = metrics(monitoring)
    assert told["zonebook_recheck_seconds_sum interactive"] == 0.375
    assert told["zonebook_recheck_seconds_count interactive"] == 12
    assert told["zonebook_recheck_batches_total interactive"] == 2
    assert told["zonebook_recheck_seconds_sum bulk"] == 1.25


@pytest.mark.django_db(transaction=True)  # a snapshot begins with its transaction
def test_a_sweep_counts_the_sites_that_it_recomputed_and_their_time(site: Site, monitoring: Client) -> None:
    Mark.objects.all().delete()
    Mark.objects.create(site=site, lane=Mark.Lane.BULK)
    began = time.perf_counter()
    look_once()
    lasted = time.perf_counter() - began
    told = metrics(monitoring)
    assert told["zonebook_recheck_seconds_count bulk"] == 1
    assert 0 < told["zonebook_recheck_seconds_sum bulk"] < lasted
    assert told["zonebook_recheck_seconds_count interactive"] == 0
    look_once()
    assert metrics(monitoring)["zonebook_recheck_batches_total bulk"] == 1


def test_what_waits_to_be_published(site: Site, monitoring: Client) -> None:
    happen(site, "cases/1", "cases/2", happened_at=timezone.now() - dt.timedelta(seconds=30))
    told = metrics(monitoring)
    assert told["zonebook_events_unpublished"] == 2
    assert 30 <= told["zonebook_events_unpublished_seconds"] < 90
    publish()
    assert metrics(monitoring)["zonebook_events_unpublished"] == 0
    assert metrics(monitoring)["zonebook_events_unpublished_seconds"] == 0
    assert Event.objects.count() == 2


def test_a_feed_that_is_held(monitoring: Client) -> None:
    feed_now()
    assert metrics(monitoring)["zonebook_feed_held"] == 0
    new_epoch()
    assert metrics(monitoring)["zonebook_feed_held"] == 1


def test_what_waits_to_be_pushed(site: Site, manager: User, monitoring: Client) -> None:
    told = metrics(monitoring)
    assert (told["zonebook_deliveries_waiting"], told["zonebook_deliveries_waiting_seconds"]) == (0, 0)
    on, failing, given_up, asked = (
        Subscription.objects.create(
            owner=manager, name=name, url="https://desk.example.com/", secret=b"", **said
        )
        for name, said in (
            ("on", {}),
            ("failing", {"failing_since": timezone.now()}),
            ("given up", {"state": "off", "off_because": "failing", "failing_since": timezone.now()}),
            ("asked", {"state": "off", "off_because": "asked"}),
        )
    )
    ago = timezone.now() - dt.timedelta(seconds=45)
    for of, state, at in (
        (on, "waiting", ago),
        (failing, "waiting", timezone.now()),
        (given_up, "dead", ago - dt.timedelta(days=1)),
        (asked, "delivered", ago),
    ):
        Delivery.objects.create(
            subscription=of, uid=uuid.uuid4(), subject="cases/1", sequence=1, state=state, created_at=at
        )
    told = metrics(monitoring)
    assert told["zonebook_deliveries_waiting"] == 2
    assert 45 <= told["zonebook_deliveries_waiting_seconds"] < 105
    assert (told["zonebook_subscriptions_failing"], told["zonebook_subscriptions_off"]) == (1, 1)


def test_who_may_ask(
    monitoring: Client, dispatcher: User, outsider: User, with_token: Caller, anonymous: Client
) -> None:
    assert monitoring.get("/metrics").status_code == 200
    assert anonymous.get("/metrics").status_code == 401
    assert with_token(dispatcher).get("/metrics").status_code == 403
    assert with_token(outsider, ["admin"]).get("/metrics").status_code == 403  # granted some customers
    assert monitoring.post("/metrics").status_code == 405
