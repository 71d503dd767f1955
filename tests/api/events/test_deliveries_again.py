"""Secrets that are replaced while deliveries wait, and deliveries that are sent once more."""

from __future__ import annotations

import pytest
from cryptography.fernet import Fernet
from django.utils import timezone
from pytest_django import Settings

from api.events.deliveries import made
from api.events.deliveries.finished import Ended, finish
from api.events.deliveries.made import replay
from api.events.subscriptions import secret_replace, send_test
from sites.models import Delivery, Event, Grant, Site, Subscription, User
from sites.services.secrets import secrets_rotate
from tests import factories
from tests.api.events.conftest import Subscribe
from tests.api.events.delivering import BAD, GOOD, LONG, happened, subjects, take

pytestmark = pytest.mark.django_db


# --- secrets --------------------------------------------------------------------------------------------


def test_both_secrets_sign_for_a_day(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/2", "cases/3")
    (before,) = take(1)
    _, new = secret_replace(subscription=subscription)
    (both,) = take(1)
    assert both.secrets == (new, *before.secrets)
    Subscription.objects.update(old_secret_until=timezone.now())
    (after,) = take(1)
    assert after.secrets == (new,)


def test_secrets_are_kept_encrypted_and_follow_the_keys(
    site: Site, subscribe: Subscribe, settings: Settings
) -> None:
    subscription = subscribe()
    secret_replace(subscription=subscription)
    happened(site, *(f"cases/{number}" for number in range(3)))
    (first,) = take(1)
    subscription.refresh_from_db()
    for secret in first.secrets:
        assert secret.encode() not in bytes(subscription.secret) + bytes(subscription.old_secret or b"")
    new = Fernet.generate_key().decode()
    settings.FIELD_KEYS = [new, *settings.FIELD_KEYS]
    assert secrets_rotate().subscriptions == 1
    settings.FIELD_KEYS = [new]
    assert take(1)[0].secrets == first.secrets
    settings.FIELD_KEYS = [Fernet.generate_key().decode()]
    assert take(1)[0].secrets == ()
    assert secrets_rotate().unreadable_subscriptions == [subscription]


# --- once more ------------------------------------------------------------------------------------------


def test_replay_sends_a_range_again_in_order(site: Site, subscribe: Subscribe) -> None:
    happened(site, "cases/1")
    early = subscribe()
    happened(site, "cases/1", "cases/1", "cases/2")
    while taken := take():
        for due in taken:
            finish([Ended(due, GOOD, 0.1)])
    since = timezone.now() - LONG
    Event.objects.filter(sequence=1).update(published_at=since - LONG)
    assert replay(early.pk, since=since, until=timezone.now()) == 3
    again = []
    while taken := take():
        again += [Delivery.objects.get(pk=due.delivery_id).sequence for due in taken]
        for due in taken:
            finish([Ended(due, GOOD, 0.1)])
    assert again == [2, 4, 3]
    # What came before the subscription is sent too, if it is asked for
    assert replay(early.pk, since=since - 2 * LONG, until=since) == 1
    assert subjects(take()) == ["cases/1"]


def test_replay_of_the_dead_alone(site: Site, subscribe: Subscribe) -> None:
    subscription = subscribe()
    happened(site, "cases/1", "cases/2")
    Delivery.objects.filter(sequence=1).update(state="dead", next_attempt_at=None)
    Delivery.objects.filter(sequence=2).update(state="delivered", next_attempt_at=None)
    now = timezone.now()
    assert replay(subscription.pk, since=now - LONG, until=now, only_dead=True) == 1
    assert subjects(take()) == ["cases/1"]


def test_replay_sends_nothing_that_the_owner_may_not_see(site: Site, subscribe: Subscribe) -> None:
    owner = factories.make_user(User.Role.MANAGER, customers=[site.customer])
    subscription = subscribe(owner=owner)
    happened(site, "cases/1")
    finish([Ended(take()[0], GOOD, 0.1)])
    Grant.objects.filter(user=owner).delete()
    now = timezone.now()
    assert replay(subscription.pk, since=now - LONG, until=now) == 0
    assert take() == []


def test_replay_of_too_many_is_refused(
    site: Site, subscribe: Subscribe, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(made, "MOST_REPLAYED", 1)
    subscription = subscribe()
    happened(site, "cases/1", "cases/2")
    for due in take():
        finish([Ended(due, GOOD, 0.1)])
    now = timezone.now()
    with pytest.raises(made.TooManyError):
        replay(subscription.pk, since=now - LONG, until=now)
    assert take() == []


def test_a_test_is_sent_once_even_where_it_fails(subscribe: Subscribe) -> None:
    subscription = subscribe()
    delivery = send_test(subscription=subscription)
    assert send_test(subscription=subscription).pk == delivery.pk
    (due,) = take()
    assert b'"type":"subscription.test"' in due.body
    finish([Ended(due, BAD, 0.1)])
    delivery.refresh_from_db()
    subscription.refresh_from_db()
    assert (delivery.state, subscription.failing_since) == ("dead", None)
