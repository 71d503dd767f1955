"""How long requests took: counted in memory that processes share, and shown in the format's own classes."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

from api.monitoring import metrics, request_times
from api.monitoring.request_times import rows
from api.server.times import BOUNDS_S, MOST_ROWS, THREAD_WAIT, Parts, Times
from sites.models import Site, User
from tests.api.conftest import Caller


@pytest.fixture
def times(monkeypatch: pytest.MonkeyPatch) -> Times:
    """What this process counts in, as a worker of the web server does."""
    fresh = Times(4)
    fresh.take(0)
    for module in (metrics, request_times):
        monkeypatch.setattr(module, "times", fresh)
    return fresh


def samples(client: Client) -> Iterator[tuple[str, dict[str, str], float]]:
    for family in text_string_to_metric_families(client.get("/metrics").content.decode()):
        for one in family.samples:
            yield one.name, one.labels, one.value


def test_a_time_is_counted_in_every_class_that_it_fits(times: Times) -> None:
    for seconds in (0.01, 0.02, 3.0, 60.0):
        times.add(7, seconds)
    counted = times.of(7)
    assert dict(counted.up_to()) == {
        "0.01": 1, "0.025": 2, "0.05": 2, "0.1": 2, "0.25": 2, "0.5": 2, "1.0": 2, "2.5": 2, "5.0": 3,
        "10.0": 3, "+Inf": 4,
    }  # fmt: skip
    assert counted.count == 4
    assert counted.sum_s == pytest.approx(63.03)
    assert times.of(8).count == 0
    assert len(BOUNDS_S) == 10


def test_processes_count_together_and_one_that_ends_loses_nothing(times: Times) -> None:
    parts = Parts()
    for _ in range(2):
        part = parts.take()
        times.take(part)
        child = os.fork()
        if not child:
            times.add(3, 0.2)
            os._exit(9)
        os.waitpid(child, 0)
    assert times.of(3).count == 2
    parts.give_back(0)
    assert parts.take() == 0, "who takes the place of another goes on in its part"


def test_more_processes_than_there_are_parts_count_nothing(times: Times) -> None:
    times.take(None)
    times.add(3, 0.2)
    assert times.of(3).count == 0


def test_every_route_has_a_row() -> None:
    assert len(set(rows().values())) == len(rows())
    assert THREAD_WAIT not in rows().values()
    assert max(rows().values()) < MOST_ROWS, "raise MOST_ROWS"
    assert ("PATCH", "api/v1/zones/<int:id>") in rows()
    assert ("GET", "closets/<int:id>") in rows(), "pages too"


def test_requests_are_counted_by_method_and_route(
    times: Times, site: Site, manager: User, with_token: Caller
) -> None:
    client = with_token(manager)
    for address in (f"/api/v1/sites/{site.pk}", "/api/v1/sites/999999", "/api/v1/sites", "/nowhere"):
        client.get(address)
    client.head("/api/v1/sites")
    client.generic("BREW", "/api/v1/sites")
    counts = {
        (labels["method"], labels["route"]): value
        for name, labels, value in samples(with_token(manager, ["admin"]))
        if name == "zonebook_request_seconds_count"
    }
    assert counts == {
        ("GET", "api/v1/sites/<int:id>"): 2,
        ("GET", "api/v1/sites"): 2,
        ("GET", "none"): 1,
    }


def test_what_is_told_is_a_histogram(times: Times, site: Site, manager: User, with_token: Caller) -> None:
    client = with_token(manager, ["admin", "record:read"])
    client.get("/api/v1/sites")
    times.add(THREAD_WAIT, 0.3)
    found = list(samples(client))
    of_waits = {
        labels["le"]: value for name, labels, value in found if name == "zonebook_thread_wait_seconds_bucket"
    }
    assert (of_waits["0.25"], of_waits["0.5"], of_waits["+Inf"]) == (0, 1, 1)
    sums = [value for name, _, value in found if name == "zonebook_request_seconds_sum"]
    assert len(sums) == 1
    assert sums[0] > 0
