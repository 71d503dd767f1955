"""The sender, over real HTTP to a receiver on loopback."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from django.db import OperationalError
from pytest_django import Settings
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from api.events import sender
from api.events.publisher import publish
from api.events.sender import send_due, send_until
from api.events.subscriptions import secret_replace, subscription_add
from sites.access.selectors import principal_of
from sites.models import Delivery, DeliveryAttempt, Event, Site, Subscription, User
from tests.api.events.conftest import Subscribe
from tests.api.events.receiving import HANG, RESET, Push, Receiver, receiving
from tests.api.events.telling import happen

pytestmark = pytest.mark.django_db(transaction=True)


@contextmanager
def sending() -> Iterator[threading.Event]:
    stop = threading.Event()
    thread = threading.Thread(target=send_until, args=(stop,))
    thread.start()
    try:
        yield stop
    finally:
        stop.set()
        thread.join()


def happened(site: Site, *subjects: str) -> None:
    happen(site, *subjects, body={"title": "Quay 9"})
    publish()


def send_once() -> None:
    send_due(threading.Event())


def outcomes() -> list[tuple[str, int | None]]:
    return list(DeliveryAttempt.objects.order_by("id").values_list("error", "status"))


def test_a_push_is_the_event_signed(site: Site, manager: User, receiver: Receiver) -> None:
    _, secret = subscription_add(principal=principal_of(manager), name="desk", url=receiver.url + "?a=b")
    happened(site, "cases/41")
    send_once()
    (push,) = receiver.got
    assert Webhook(secret).verify(push.body, dict(push.headers)) == push.event
    assert push.uid == push.event["id"] == str(Event.objects.get().uid)
    assert (push.path, push.headers["content-type"]) == ("/in?a=b", "application/cloudevents+json")
    assert (push.event["subject"], push.event["data"]) == ("cases/41", {"title": "Quay 9"})
    assert outcomes() == [("", 204)]


def test_a_plain_sweep_sends_all_that_is_due(site: Site, subscribe: Subscribe, receiver: Receiver) -> None:
    subscribe(receiver.url)
    happened(site, *(f"cases/{number % 7}" for number in range(30)))
    send_once()
    assert len(receiver.taken) == 30
    assert max(receiver.most_at_once.values()) == 1
    by_subject: dict[str, list[str]] = {}
    for push in receiver.taken:
        by_subject.setdefault(push.event["subject"], []).append(push.event["sequence"])
    assert all(numbers == sorted(numbers) for numbers in by_subject.values())
    send_once()
    assert len(receiver.taken) == 30


def test_a_plain_sweep_does_not_wait_for_who_fails(
    site: Site, subscribe: Subscribe, receiver: Receiver
) -> None:
    receiver.answering = lambda _push: 500
    subscribe(receiver.url)
    happened(site, *(f"cases/{number}" for number in range(30)))
    send_once()
    assert 1 <= len(receiver.got) <= 4


@pytest.mark.parametrize(("answer", "error"), [(RESET, "connection"), (HANG, "timeout")])
def test_a_receiver_that_gives_no_answer(
    site: Site, subscribe: Subscribe, receiver: Receiver, settings: Settings, answer: str, error: str
) -> None:
    settings.PUSH_TIMEOUT_S = 0.5
    receiver.answering = lambda _push: answer
    subscribe(receiver.url)
    happened(site, "cases/1")
    send_once()
    assert outcomes() == [(error, None)]
    assert Delivery.objects.get().failures == 1


def test_a_receiver_that_hangs_delays_no_other(site: Site, subscribe: Subscribe, receiver: Receiver) -> None:
    """Ten that hang, and one that answers: it has each event at once."""
    with receiving() as hanging:
        hanging.answering = lambda _push: HANG
        for number in range(10):
            subscribe(f"{hanging.url}/{number}")
        subscribe(receiver.url)
        waits = []
        with sending():
            for number in range(20):
                began = time.monotonic()
                happened(site, f"cases/{number}")
                receiver.until(lambda: len(receiver.taken) > number)  # noqa: B023 - called at once
                waits.append(receiver.taken[number].at_s - began)
            assert not hanging.taken
            assert len({push.path for push in hanging.got}) == 10
        assert sorted(waits)[18] < 2.0, waits


def test_it_tries_again_until_it_is_taken(
    site: Site, subscribe: Subscribe, receiver: Receiver, settings: Settings
) -> None:
    settings.PUSH_TIME_SCALE = 0.001
    receiver.answering = lambda _push: 503 if len(receiver.got) < 4 else 204
    subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: receiver.taken)
        receiver.until(lambda: Delivery.objects.get().state == "delivered")
    assert [status for _, status in outcomes()] == [503, 503, 503, 204]
    assert len({push.uid for push in receiver.got}) == 1


def test_retry_after_is_honoured(
    site: Site, subscribe: Subscribe, receiver: Receiver, settings: Settings
) -> None:
    settings.PUSH_TIME_SCALE = 0.001
    receiver.answering = lambda _push: (429, {"Retry-After": "2"}) if len(receiver.got) < 2 else 204
    subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: receiver.taken)
    first, second = receiver.got
    assert 1.9 <= second.at_s - first.at_s < 10


def test_410_ends_it(site: Site, subscribe: Subscribe, receiver: Receiver) -> None:
    receiver.answering = lambda _push: 410
    subscription = subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: Subscription.objects.filter(pk=subscription.pk, state="off").exists())
    assert len(receiver.got) == 1


def test_told_to_stop_it_cuts_off_what_hangs_and_gives_it_back(
    site: Site, subscribe: Subscribe, receiver: Receiver
) -> None:
    receiver.answering = lambda _push: HANG
    subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: receiver.got)
        began = time.monotonic()
    assert time.monotonic() - began < 5
    delivery = Delivery.objects.get()
    assert (delivery.lease, delivery.failures) == (None, 0)
    assert outcomes() == [("cut_off", None)]
    receiver.answering = lambda _push: 204
    send_once()
    assert [push.uid for push in receiver.got] == [str(delivery.uid)] * 2


def test_no_transaction_is_open_while_a_receiver_is_waited_for(
    site: Site, subscribe: Subscribe, receiver: Receiver
) -> None:
    """Its row can be locked by others, and the sender's session is idle."""
    seen: list[str] = []
    subscription = subscribe(receiver.url)
    receiver.answering = lambda _push: HANG
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: receiver.got)
        from django.db import connection, transaction

        with transaction.atomic(), connection.cursor() as cursor:
            Subscription.objects.select_for_update(nowait=True).get(pk=subscription.pk)
            cursor.execute(
                """SELECT state FROM pg_stat_activity WHERE datname = current_database()
                   AND pid <> pg_backend_pid() AND backend_type = 'client backend'"""
            )
            seen = [state for (state,) in cursor.fetchall()]
    assert "idle in transaction" not in seen


def test_a_url_that_is_allowed_no_more_is_not_sent_to(
    site: Site, subscribe: Subscribe, receiver: Receiver, settings: Settings
) -> None:
    subscribe(receiver.url)
    happened(site, "cases/1")
    settings.PUSH_NETWORKS = []
    send_once()
    assert (receiver.got, outcomes()) == ([], [("url", None)])


def test_without_a_secret_nothing_is_sent(site: Site, subscribe: Subscribe, receiver: Receiver) -> None:
    subscription = subscribe(receiver.url)
    Subscription.objects.filter(pk=subscription.pk).update(secret=b"of another key")
    happened(site, "cases/1")
    send_once()
    assert (receiver.got, outcomes()) == ([], [("secret", None)])


def lost_once(monkeypatch: pytest.MonkeyPatch, name: str) -> threading.Event:
    """Have the first call of a function of the sender lose its connection; set once it has."""
    away = threading.Event()
    really = getattr(sender, name)

    def called(*given: object) -> object:
        if not away.is_set():
            away.set()
            raise OperationalError("the server closed the connection")
        return really(*given)

    monkeypatch.setattr(sender, name, called)
    return away


def test_a_database_that_is_away_is_waited_for(
    site: Site,
    subscribe: Subscribe,
    receiver: Receiver,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    away = lost_once(monkeypatch, "_look")
    subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: receiver.taken)
    assert away.is_set()


def test_how_it_went_is_noted_once_the_database_is_back(
    site: Site,
    subscribe: Subscribe,
    receiver: Receiver,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without a second push."""
    away = lost_once(monkeypatch, "finish")
    subscribe(receiver.url)
    happened(site, "cases/1")
    with sending():
        receiver.until(lambda: Delivery.objects.filter(state="delivered").exists())
    assert away.is_set()
    assert (len(receiver.got), outcomes()) == (1, [("", 204)])


def test_senders_side_by_side_send_each_event_once(
    site: Site, subscribe: Subscribe, receiver: Receiver
) -> None:
    subscribe(receiver.url)
    happened(site, *(f"cases/{number % 7}" for number in range(60)))
    with sending(), sending(), sending():
        receiver.until(lambda: Delivery.objects.filter(state="delivered").count() == 60)
    assert len(receiver.got) == len({push.uid for push in receiver.got}) == 60
    assert set(receiver.most_at_once.values()) == {1}
    assert DeliveryAttempt.objects.count() == 60


def test_while_secrets_are_replaced_no_push_is_rejected(
    site: Site, manager: User, receiver: Receiver
) -> None:
    """The receiver has a new secret some pushes after it was made, and knows one secret at a time."""
    subscription, secret = subscription_add(principal=principal_of(manager), name="desk", url=receiver.url)
    known = [secret]
    rejected: list[Push] = []

    def verifying(push: Push) -> int:
        try:
            Webhook(known[-1]).verify(push.body, dict(push.headers))
        except WebhookVerificationError:
            rejected.append(push)
            return 401
        return 204

    receiver.answering = verifying
    happened(site, *(f"cases/{number % 17}" for number in range(100)))
    with sending():
        for after in (10, 30, 50, 70):
            receiver.until(lambda: len(receiver.got) >= after)  # noqa: B023 - called at once
            _, new = secret_replace(subscription=subscription)
            receiver.until(lambda: len(receiver.got) >= after + 12)  # noqa: B023 - called at once
            known.append(new)
        receiver.until(lambda: len(receiver.taken) == 100)
    assert rejected == []
    assert len({push.headers["webhook-signature"].count("v1,") for push in receiver.got}) == 2
