"""Pushes as they are deployed: sweepers that are killed again and again, and receivers that fail, hang and
reset. Each event arrives, or is given up after all its attempts; of a subject, in order; and who hangs delays
nobody else."""

from __future__ import annotations

import os
import random
import signal
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import ExitStack
from ipaddress import ip_network

import pytest
from django.utils import timezone
from pytest_django import Settings

from api.events.publisher import publish
from api.events.subscriptions import subscription_add
from sites.access.selectors import principal_of
from sites.models import Delivery, DeliveryAttempt, Event, Site, Subscription, User
from tests import factories
from tests.api.events.receiving import HANG, RESET, Push, Receiver, receiving
from tests.api.events.telling import happen
from tests.resilience.conftest import Process, Processes

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

SUBJECTS = 40
NEVER = 13


class Unreliable:
    """30 % of what comes is refused, 5 % hangs, 5 % is reset; and one event of a hundred is never taken."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)

    def __call__(self, push: Push) -> int | str:
        if push.event["data"]["number"] % 100 == NEVER:
            return 500
        draw = self.random.random()
        return 500 if draw < 0.30 else HANG if draw < 0.35 else RESET if draw < 0.40 else 204


@pytest.fixture
def receivers() -> Iterator[list[Receiver]]:
    with receiving() as first, receiving() as second:
        yield [first, second]


@pytest.fixture
def long(pytestconfig: pytest.Config) -> bool:
    return bool(pytestconfig.getoption("--long"))


@pytest.fixture
def many_receivers(long: bool) -> Iterator[list[Receiver]]:
    with ExitStack() as stack:
        yield [stack.enter_context(receiving()) for _ in range(20 if long else 2)]


@pytest.fixture
def site() -> Site:
    return factories.make_site()


def subscribed(manager: User, receiver: Receiver) -> None:
    subscription_add(principal=principal_of(manager), name="desk", url=receiver.url)


@pytest.fixture
def allowed(settings: Settings) -> None:
    """Subscribing, in this process, to loopback."""
    settings.PUSH_HTTP = True
    settings.PUSH_PORTS = range(1, 65536)
    settings.PUSH_NETWORKS = [ip_network("127.0.0.0/8")]


def sweeper(processes: Processes, receivers: list[Receiver], *, timeout_s: int = 1) -> Process:
    ports = ",".join(receiver.url.split(":")[2].split("/")[0] for receiver in receivers)
    return processes.start(
        "tests.resilience.sweeping", "--loop", "--interval", "0.2",
        ZONEBOOK_PUSH_HTTP="on", ZONEBOOK_PUSH_NETWORKS="127.0.0.0/8", ZONEBOOK_PUSH_PORTS=ports,
        ZONEBOOK_TESTED_PUSH_TIMEOUT_S=str(timeout_s), ZONEBOOK_TESTED_PUSH_SCALE="0.00002",
    )  # fmt: skip


def pushes(receivers: list[Receiver]) -> int:
    return sum(len(receiver.got) for receiver in receivers)


def all_finished(count: int) -> bool:
    finished = Delivery.objects.filter(state__in=["delivered", "dead"])
    return finished.count() == count


def in_order(receiver: Receiver) -> None:
    """Each subject's events were taken in order: one that is sent again, since its sender was killed before
    it noted the answer, comes before the next."""
    by_subject = defaultdict(list)
    for push in receiver.taken:
        by_subject[push.event["subject"]].append(push.event["sequence"])
    for subject, numbers in by_subject.items():
        assert numbers == sorted(numbers), (subject, numbers)


def test_killed_again_and_again_nothing_is_lost_and_the_order_is_kept(
    processes: Processes, allowed: None, site: Site, manager: User, long: bool, many_receivers: list[Receiver]
) -> None:
    """With `--long` 1,000 events to each of 20 addresses; a sender is killed after so many pushes, which take
    some three seconds on two idle cores."""
    receivers = many_receivers
    count, a_life = (1_000, (500, 1_000)) if long else (150, (30, 75))
    for seed, receiver in enumerate(receivers):
        receiver.answering = Unreliable(seed)
        subscribed(manager, receiver)
    for number in range(count):
        happen(site, f"cases/{number % SUBJECTS}", body={"number": number})
    publish()
    total = len(receivers) * count
    draw = random.Random(7)
    kills = 0
    while not all_finished(total):
        running = sweeper(processes, receivers)
        enough = pushes(receivers) + draw.randint(*a_life)
        running.until(lambda: pushes(receivers) >= enough or all_finished(total))  # noqa: B023 - at once
        running.kill()
        kills += 1
    assert kills >= 3
    assert Event.objects.count() == count
    for subscription, receiver in zip(Subscription.objects.order_by("id"), receivers, strict=True):
        assert subscription.state == "on"
        mine = Delivery.objects.filter(subscription=subscription)
        taken = {push.uid for push in receiver.taken}
        delivered = {str(uid) for uid in mine.filter(state="delivered").values_list("uid", flat=True)}
        dead = {str(uid) for uid in mine.filter(state="dead").values_list("uid", flat=True)}
        assert len(delivered) + len(dead) == count
        assert len(dead) >= count / 100
        assert delivered <= taken
        # A dead one failed eleven times; where its answer was lost with its sender, it may have been taken
        assert not DeliveryAttempt.objects.filter(delivery__state="dead", delivery__failures__lt=11).exists()
        in_order(receiver)
    assert not Delivery.objects.filter(lease__isnull=False).exists()


def test_one_that_hangs_delays_no_other(
    processes: Processes,
    receivers: list[Receiver],
    allowed: None,
    site: Site,
    manager: User,
    pytestconfig: pytest.Config,
) -> None:
    """Beside 20 of them that hold each attempt for 15 s, 19 of 20 events come at once: within two seconds, or
    within five on a machine that is busy with other tests."""
    count = 100 if pytestconfig.getoption("--long") else 20
    hanging, good = receivers
    hanging.answering = lambda _push: HANG
    for _ in range(20):
        subscribed(manager, hanging)
    subscribed(manager, good)
    running = sweeper(processes, receivers, timeout_s=15)
    happen(site, "cases/0")
    running.until(lambda: good.taken and hanging.got)
    waits = []
    for number in range(1, count + 1):
        began = time.monotonic()
        happen(site, f"cases/{number}")
        running.until(lambda: len(good.taken) > number)  # noqa: B023 - called at once
        waits.append(good.taken[number].at_s - began)
    assert not hanging.taken
    limit_s = 2.0 if pytestconfig.getoption("--long") else 5.0
    assert sorted(waits)[count * 95 // 100 - 1] < limit_s, sorted(waits)[-10:]


def test_told_to_stop_it_gives_back_what_hangs(
    processes: Processes,
    receivers: list[Receiver],
    allowed: None,
    site: Site,
    manager: User,
) -> None:
    hanging, _ = receivers
    hanging.answering = lambda _push: HANG
    subscribed(manager, hanging)
    running = sweeper(processes, receivers, timeout_s=60)
    happen(site, "cases/0")
    running.until(lambda: hanging.got)
    os.kill(running.popen.pid, signal.SIGTERM)
    running.ended(30)
    delivery = Delivery.objects.get()
    assert (delivery.lease, delivery.failures, delivery.state) == (None, 0, "waiting")
    assert delivery.next_attempt_at is not None
    assert delivery.next_attempt_at <= timezone.now()
