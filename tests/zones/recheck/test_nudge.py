"""Notifying a worker: after the commit, without waiting, and never at the cost of the change."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import pytest
import structlog
from django.apps import apps
from django.db import transaction

from sites.changes.signals import change_set_accepted
from tests.zones.recording import SiteRecord
from zones.recheck import nudge
from zones.recheck.sweep import Swept
from zones.recheck.tasks import look

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[list[dict[str, Any]]]:
    """The published messages; the publishing thread is gone afterwards."""
    settings.CELERY_BROKER_URL = "memory://"
    apps.get_app_config("zones").ready()
    messages: list[dict[str, Any]] = []
    monkeypatch.setattr(look, "apply_async", lambda **how: messages.append(how))
    yield messages
    change_set_accepted.disconnect(nudge.nudge_after_commit)
    finish()


@pytest.fixture
def forget_publisher() -> Iterator[None]:
    nudge._forget()
    yield
    finish()
    nudge._forget()


def finish() -> None:
    """Wait until all that was to be published is."""
    if nudge._publisher is not None:
        assert nudge._publisher.finish(30)


def test_a_worker_is_notified_once_the_change_is_committed(
    forget_publisher: None, sent: list[dict[str, Any]]
) -> None:
    record = SiteRecord()
    finish()
    sent.clear()
    with transaction.atomic():
        with record.change():
            record.zone()
        finish()
        assert sent == []
    finish()
    assert sent == [
        {"retry": False, "expires": nudge.EXPIRES_S, "ignore_result": True, "headers": {"request_ids": []}}
    ]


def test_a_change_that_is_rolled_back_notifies_no_worker(
    forget_publisher: None, sent: list[dict[str, Any]]
) -> None:
    record = SiteRecord()
    finish()
    sent.clear()
    with transaction.atomic():
        with record.change():
            record.zone()
        transaction.set_rollback(True)
    finish()
    assert sent == []


def test_without_a_broker_no_message_is_sent(
    forget_publisher: None, sent: list[dict[str, Any]], settings: Any
) -> None:
    change_set_accepted.disconnect(nudge.nudge_after_commit)
    settings.CELERY_BROKER_URL = None
    apps.get_app_config("zones").ready()
    SiteRecord()
    assert nudge._publisher is None
    assert sent == []


def test_a_broker_that_is_away_fails_nothing_and_delays_nothing(
    forget_publisher: None, sent: list[dict[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    tried, let_go = threading.Event(), threading.Event()
    asked: list[int] = []

    def hang(**_how: Any) -> None:
        asked.append(1)
        tried.set()
        assert let_go.wait(30)
        raise ConnectionRefusedError("no broker")

    monkeypatch.setattr(look, "apply_async", hang)
    nudge.nudge()
    assert tried.wait(30)
    for _ in range(100):  # notified with one message more
        nudge.nudge()
    assert nudge._publisher is not None
    assert not nudge._publisher.finish(0.01)
    let_go.set()
    finish()
    assert len(asked) == 2


def test_the_task_sweeps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("zones.recheck.tasks.sweep", lambda: Swept(checked=17))
    with structlog.testing.capture_logs() as lines:
        look()
    assert [(line["event"], line["checked"]) for line in lines] == [("looked", 17)]


def test_a_message_names_the_requests_that_it_is_for(
    forget_publisher: None, sent: list[dict[str, Any]]
) -> None:
    with structlog.contextvars.bound_contextvars(request_id="call-17"):
        nudge.nudge()
    finish()
    nudge.nudge()  # of a command
    finish()
    assert [message["headers"] for message in sent] == [{"request_ids": ["call-17"]}, {"request_ids": []}]
