"""Subscriptions, and settings by which they may go to loopback."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from ipaddress import ip_network
from typing import Any

import pytest
from pytest_django import Settings

from api.events.subscriptions import subscription_add
from sites.access.selectors import principal_of
from sites.models import Subscription, User
from tests.api.events.receiving import Receiver, receiving

Subscribe = Callable[..., Subscription]


@pytest.fixture
def to_loopback(settings: Settings) -> None:
    settings.PUSH_HTTP = True
    settings.PUSH_PORTS = range(1, 65536)
    settings.PUSH_NETWORKS = [ip_network("127.0.0.0/8")]


@pytest.fixture
def receiver(to_loopback: None) -> Iterator[Receiver]:
    with receiving() as one:
        yield one


@pytest.fixture
def subscribe(to_loopback: None, manager: User) -> Subscribe:
    """A subscription of the manager, who sees all customers, or of another owner."""

    def make(url: str = "http://127.0.0.1:9/", *, owner: User = manager, **given: Any) -> Subscription:
        made, _ = subscription_add(principal=principal_of(owner), name="ticketing", url=url, **given)
        return made

    return make
