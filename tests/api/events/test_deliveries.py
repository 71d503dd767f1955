"""Deliveries in the database: made of what a subscription may see, in order, taken once, and never lost."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from api.events.deliveries.finished import AFTER_S, OFF_AFTER, Ended, finish, give_back
from api.events.deliveries.made import fan_out
from api.events.deliveries.order import start_orphans
from api.events.deliveries.taken import AT_ONCE
from api.events.outbound import Answer
from api.events.publisher import KEPT_FOR, feed_now, forget_events, new_epoch, release
from api.events.subscriptions import subscription_on
from sites.models import Delivery, DeliveryAttempt, Event, Feed, Grant, Site, Subscription, User
from tests import factories
from tests.api.events.conftest import Subscribe
from tests.api.events.delivering import BAD, GOOD, LONG, all_due, happened, in_order, subjects, take

pytestmark = pytest.mark.django_db


# --- which events ---------------------------------------------------------------------------------------


def test_what_happened_before_is_not_sent(site: Site, subscribe: Subscribe) -> None:
    happened(site, "cases/1")
    subscription = subscribe()
    happened(site, "cases/2")
    assert in_order(subscription) == [("cases/2", "waiting")]
    assert fan_out() == 0


def test_only_the_kinds_asked_for(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe(kinds=["case.cleared"])
    happened(site, "cases/1")
    happened(site, "cases/2", kind="case.cleared")
    assert in_order(subscription) == [("cases/2", "waiting")]


@pytest.mark.parametrize(
    ("least", "sent"),
    [
        ("", ["advice", "sound_suffers", "silence", "hazard", None]),
        ("sound_suffers", ["sound_suffers", "silence", "hazard", None]),
        ("hazard", ["hazard", None]),
    ],
)
def test_cases_from_a_severity_on(
    site: Site, subscribe: Subscribe, least: str, sent: list[str | None]
) -> None:
    """An event that is not of a case has no severity, and is sent."""
    subscription = subscribe(least_severity=least)
    for severity in ("advice", "sound_suffers", "silence", "hazard"):
        happened(site, severity, body={"case": {"severity": severity}})
    happened(site, "sites/1", kind="site.taken_over")
    got = [subject if subject != "sites/1" else None for subject, _ in in_order(subscription)]
    assert got == sent


def test_only_customers_that_the_owner_is_granted(site: Site, subscribe: Subscribe) -> None:
    elsewhere = factories.make_site(factories.make_customer())
    owner = factories.make_user(User.Role.MANAGER, customers=[site.customer])
    some, everything = subscribe(owner=owner), subscribe()
    narrowed = subscribe(customer_ids=[elsewhere.customer_id])
    happened(site, "cases/1")
    happened(elsewhere, "cases/2")
    assert [one for one, _ in in_order(some)] == ["cases/1"]
    assert [one for one, _ in in_order(narrowed)] == ["cases/2"]
    assert [one for one, _ in in_order(everything)] == ["cases/1", "cases/2"]


def test_a_grant_that_is_gone_when_it_is_sent_withholds_it(site: Site, subscribe: Subscribe) -> None:
    owner = factories.make_user(User.Role.MANAGER, customers=[site.customer])
    subscription = subscribe(owner=owner)
    happened(site, "cases/1", "cases/1", "cases/2")
    Grant.objects.filter(user=owner).delete()
    assert take() == []
    assert take() == []  # the second of the same subject, too
    assert {state for _, state in in_order(subscription)} == {"withheld"}
    assert not DeliveryAttempt.objects.exists()


@pytest.mark.parametrize("change", [{"is_active": False}, {"role": User.Role.DISPATCHER}])
def test_an_owner_who_may_have_none_gets_nothing_until_they_may(
    site: Site, subscribe: Subscribe, change: dict[str, Any]
) -> None:
    owner = factories.make_user(User.Role.MANAGER, all_customers=True)
    subscription = subscribe(owner=owner)
    happened(site, "cases/1")
    User.objects.filter(pk=owner.pk).update(**change)
    happened(site, "cases/2")
    assert take() == []
    assert len(in_order(subscription)) == 1
    User.objects.filter(pk=owner.pk).update(is_active=True, role=User.Role.MANAGER)
    fan_out()
    assert subjects(take()) == ["cases/1", "cases/2"]


def test_telephones_are_sent_only_where_asked_for(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    subscribe(telephones=True)
    body = {"site": {"name": "Quay 9", "out_of_hours_phone": "0815"}, "contacts": [{"phone": "0816"}]}
    happened(site, "cases/1", body=body)
    without, with_them = sorted((due.body for due in take()), key=len)
    assert b"0815" not in without
    assert b"0816" not in without
    assert b"0815" in with_them
    assert b"0816" in with_them


# --- order and number -----------------------------------------------------------------------------------


def test_of_a_subject_one_is_under_way_and_the_next_follows(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1", "cases/1", "cases/2")
    first, other = take()
    assert subjects([first, other]) == ["cases/1", "cases/2"]
    assert take() == []
    happened(site, "cases/1")
    assert take() == []
    finish([Ended(first, GOOD, 0.1)])
    (second,) = take()
    assert Delivery.objects.get(pk=second.delivery_id).sequence == 2
    finish([Ended(second, GOOD, 0.1)])
    (third,) = take()
    assert Delivery.objects.get(pk=third.delivery_id).sequence == 4


def test_a_failure_keeps_what_follows_waiting_until_it_is_dead(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/1")
    for _ in range(len(AFTER_S) + 1):
        (due,) = take()
        assert Delivery.objects.get(pk=due.delivery_id).sequence == 1
        finish([Ended(due, BAD, 0.1)])
        all_due()
    assert in_order(subscription) == [("cases/1", "dead"), ("cases/1", "waiting")]
    (due,) = take()
    assert Delivery.objects.get(pk=due.delivery_id).sequence == 2
    assert Delivery.objects.get(sequence=1).tries.count() == 11


def test_the_waits_grow_to_three_days() -> None:
    assert 2.9 * 86_400 <= sum(AFTER_S) <= 3.1 * 86_400
    assert list(AFTER_S) == sorted(AFTER_S)


def test_a_wait_has_jitter(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, *(f"cases/{number}" for number in range(20)))
    waits = []
    for _ in range(20):
        (due,) = take(1)
        now = timezone.now()
        finish([Ended(due, BAD, 0.1)])
        at = Delivery.objects.get(pk=due.delivery_id).next_attempt_at
        assert at is not None
        waits.append((at - now).total_seconds())
    assert len({round(wait, 2) for wait in waits}) > 10
    assert min(waits) >= 4
    assert max(waits) <= 6.5


def test_so_many_are_under_way_and_one_while_it_fails(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, *(f"cases/{number}" for number in range(20)))
    first = take()
    assert (len(first), take()) == (AT_ONCE, [])
    finish([Ended(first[0], BAD, 0.1)])
    assert take() == []
    for due in first[1:]:
        finish([Ended(due, BAD, 0.1)])
    (one,) = take()
    assert take() == []
    finish([Ended(one, GOOD, 0.1)])
    assert len(take()) == AT_ONCE


def test_what_is_under_way_takes_room(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, *(f"cases/{number}" for number in range(20)))
    take(1)
    assert len(take()) == AT_ONCE - 1


def test_a_slow_one_takes_no_room_of_another(site: Site, subscribe: Subscribe) -> None:
    subscribe("http://127.0.0.1:9/slow")
    happened(site, *(f"cases/{number}" for number in range(20)))
    take()
    subscribe("http://127.0.0.1:9/quick")
    happened(site, "cases/77")
    assert [due.url for due in take()] == ["http://127.0.0.1:9/quick"]


def test_many_cost_no_more_statements_than_one(site: Site, subscribe: Subscribe) -> None:
    """Owners of different customers included."""

    def statements(count: int) -> int:
        happened(site, *(f"cases/{count}-{number}" for number in range(AT_ONCE)))
        with CaptureQueriesContext(connection) as asked:
            taken = take(AT_ONCE * count)
            finish([Ended(due, GOOD, 0.1) for due in taken])
        assert len(taken) == AT_ONCE * count
        return len(asked)

    owner = factories.make_user(User.Role.MANAGER, customers=[site.customer])
    subscribe(owner=owner, customer_ids=[site.customer_id])
    one = statements(1)
    for _ in range(9):
        subscribe(owner=owner, customer_ids=[site.customer_id])
    assert statements(10) == one


# --- how it went ----------------------------------------------------------------------------------------


def test_every_attempt_is_kept(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1")
    for answer in (BAD, Answer(None, "timeout"), GOOD):
        (due,) = take()
        assert DeliveryAttempt.objects.get(pk=due.attempt_id).error == "under_way"
        finish([Ended(due, answer, 1.25)])
        all_due()
    kept = DeliveryAttempt.objects.order_by("id").values_list("status", "error", "duration_ms")
    assert list(kept) == [(500, "", 1250), (None, "timeout", 1250), (204, "", 1250)]
    delivery = Delivery.objects.get()
    assert (delivery.state, delivery.attempts, delivery.failures) == ("delivered", 3, 2)


@pytest.mark.parametrize("status", [300, 301, 304, 400, 401, 404, 500])
def test_what_is_no_success(site: Site, subscribe: Subscribe, status: int) -> None:
    subscription = subscribe()
    happened(site, "cases/1")
    finish([Ended(take()[0], Answer(status), 0.1)])
    assert in_order(subscription) == [("cases/1", "waiting")]
    subscription.refresh_from_db()
    assert subscription.failing_since is not None


def test_410_switches_it_off_and_nothing_is_lost(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1")
    finish([Ended(take()[0], Answer(410), 0.1)])
    subscription.refresh_from_db()
    assert (subscription.state, subscription.off_because) == ("off", "gone")
    happened(site, "cases/2")
    assert take() == []
    subscription_on(subscription=subscription)
    fan_out()
    assert subjects(take()) == ["cases/1", "cases/2"]


def test_five_days_of_failure_switch_it_off(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/2")
    first, second = take()
    finish([Ended(first, BAD, 0.1)])
    almost = timezone.now() - OFF_AFTER + dt.timedelta(minutes=1)
    Subscription.objects.update(failing_since=almost)
    finish([Ended(second, BAD, 0.1)])
    subscription.refresh_from_db()
    assert subscription.state == "on"
    Subscription.objects.update(failing_since=almost - dt.timedelta(minutes=1))
    all_due()
    finish([Ended(take()[0], BAD, 0.1)])
    subscription.refresh_from_db()
    assert (subscription.state, subscription.off_because) == ("off", "failing")


def test_a_success_ends_the_failing(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/2")
    first, second = take()
    finish([Ended(first, BAD, 0.1)])
    finish([Ended(second, GOOD, 0.1)])
    subscription.refresh_from_db()
    assert subscription.failing_since is None


def test_retry_after_pauses_the_whole_subscription(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/2")
    first, second = take()
    give_back([second])
    before = timezone.now()
    finish([Ended(first, Answer(429, retry_after_s=3600), 0.1)])
    Delivery.objects.filter(next_attempt_at__isnull=False).update(next_attempt_at=before)
    happened(site, "cases/3")
    assert take() == []
    subscription.refresh_from_db()
    assert subscription.paused_until is not None
    assert 3600 <= (subscription.paused_until - before).total_seconds() < 3630
    Subscription.objects.update(paused_until=before)
    assert len(take()) == 1


# --- senders that end -----------------------------------------------------------------------------------


def test_what_a_killed_sender_took_is_sent_again_under_the_same_id(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1", "cases/1")
    (lost,) = take()
    assert take() == []
    Delivery.objects.filter(pk=lost.delivery_id).update(leased_until=timezone.now())
    (again,) = take()
    assert (again.delivery_id, again.message_id) == (lost.delivery_id, lost.message_id)
    assert again.message_id == str(Event.objects.get(sequence=1).uid)
    assert DeliveryAttempt.objects.get(pk=lost.attempt_id).error == "cut_off"
    # The one that was taken for dead comes back: what it got counts no more
    finish([Ended(lost, BAD, 40)])
    delivery = Delivery.objects.get(pk=lost.delivery_id)
    assert (delivery.lease, delivery.failures, delivery.attempts) == (again.lease, 0, 2)


def test_what_is_given_back_is_due_at_once_and_counts_as_no_failure(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1")
    (due,) = take()
    give_back([due])
    (again,) = take()
    assert again.delivery_id == due.delivery_id
    assert DeliveryAttempt.objects.get(pk=due.attempt_id).error == "cut_off"
    assert Delivery.objects.get().failures == 0


def test_what_another_has_meanwhile_is_not_given_back(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1")
    (lost,) = take()
    Delivery.objects.update(leased_until=timezone.now())
    (again,) = take()
    give_back([lost])
    assert Delivery.objects.get().lease == again.lease
    assert DeliveryAttempt.objects.get(pk=again.attempt_id).error == "under_way"


def test_while_the_feed_is_held_nothing_is_sent(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1")
    new_epoch()
    happened(site, "cases/2")
    assert take() == []
    assert len(in_order(subscription)) == 2
    release()
    assert subjects(take()) == ["cases/1", "cases/2"]


def test_after_a_restore_nothing_is_sent_before_it_is_noticed(site: Site, subscribe: Subscribe) -> None:
    subscribe()
    happened(site, "cases/1")
    Feed.objects.update(database="another/1/1")
    assert take() == []
    assert feed_now().held_since is not None


def test_what_is_forgotten_takes_its_deliveries_along_and_holds_nothing_up(
    site: Site, subscribe: Subscribe
) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/1", "cases/2", "cases/2", "cases/3")
    other = next(due for due in take() if Delivery.objects.get(pk=due.delivery_id).subject == "cases/2")
    Event.objects.filter(sequence=1).update(published_at=timezone.now() - KEPT_FOR - LONG)
    assert forget_events() == 1
    assert [one for one, _ in in_order(subscription)] == ["cases/1", "cases/2", "cases/2", "cases/3"]
    assert take() == []
    assert start_orphans() == 1
    assert Delivery.objects.get(next_attempt_at__isnull=False).sequence == 2
    assert start_orphans() == 0
    finish([Ended(other, GOOD, 0.1)])
    assert sorted(subjects(take())) == ["cases/1", "cases/2"]
