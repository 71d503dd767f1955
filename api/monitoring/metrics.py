"""`/metrics`: what an operator's monitoring watches, in the open text format that Prometheus began.

Whether changes are recomputed, and events published and pushed, is read from the database, so it is
the same from every process. How long requests took is of the web server that answers, all of its
processes together, since it was started."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from django.db import connection
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    Metric,
    SummaryMetricFamily,
)
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from rest_framework.request import Request

from api.conventions.views import ApiView, Spec
from api.events.publisher import feed_now
from api.server.times import THREAD_WAIT, Counted, times
from sites.access.abilities import Ability
from sites.models.changes import Mark

from .request_times import rows

_STALE: Final = """
    SELECT lane, count(DISTINCT site_id), coalesce(extract(epoch FROM clock_timestamp() - min(made_at)), 0)
    FROM mark GROUP BY lane
"""
_RECHECKED: Final = "SELECT lane, batches, sites, seconds FROM recheck_time"
_UNPUBLISHED: Final = """
    SELECT count(*), coalesce(extract(epoch FROM clock_timestamp() - min(happened_at)), 0)
    FROM event WHERE sequence IS NULL
"""


_WAITING: Final = """
    SELECT count(*), coalesce(extract(epoch FROM clock_timestamp() - min(created_at)), 0)
    FROM delivery WHERE state = 'waiting'
"""
_SUBSCRIPTIONS: Final = """
    SELECT count(*) FILTER (WHERE state = 'on' AND failing_since IS NOT NULL),
           count(*) FILTER (WHERE state = 'off' AND off_because <> 'asked')
    FROM subscription
"""


class _Service(Collector):
    """Collects when it is asked, as the library wants it."""

    def collect(self) -> Iterator[Metric]:
        with connection.cursor() as cursor:
            cursor.execute(_STALE)
            marked = {lane: (count, float(age)) for lane, count, age in cursor.fetchall()}
            cursor.execute(_RECHECKED)
            rechecked = {lane: row for lane, *row in cursor.fetchall()}
            cursor.execute(_UNPUBLISHED)
            unpublished, unpublished_s = cursor.fetchone()
            cursor.execute(_WAITING)
            waiting, waiting_s = cursor.fetchone()
            cursor.execute(_SUBSCRIPTIONS)
            failing, given_up = cursor.fetchone()
        sites = GaugeMetricFamily(
            "zonebook_stale_sites", "Sites whose load must be recomputed, by lane.", labels=["lane"]
        )
        age = GaugeMetricFamily(
            "zonebook_stale_seconds", "How long the first of them has waited.", labels=["lane"]
        )
        for lane in Mark.Lane:
            count, seconds = marked.get(lane, (0, 0.0))
            sites.add_metric([str(lane.label)], count)
            age.add_metric([str(lane.label)], seconds)
        yield sites
        yield age
        yield from _rechecks(rechecked)
        yield GaugeMetricFamily(
            "zonebook_events_unpublished", "Events not in the feed yet.", value=unpublished
        )
        yield GaugeMetricFamily(
            "zonebook_events_unpublished_seconds",
            "How long ago the first of them happened.",
            value=float(unpublished_s),
        )
        yield GaugeMetricFamily(
            "zonebook_feed_held",
            "1: the database was restored or replaced, and nothing is pushed until somebody releases it.",
            value=int(feed_now().held_since is not None),
        )
        for name, said, value in (
            ("deliveries_waiting", "Deliveries that are not taken yet.", waiting),
            ("deliveries_waiting_seconds", "How long the first of them has waited.", float(waiting_s)),
            ("subscriptions_failing", "Subscriptions whose last attempt failed.", failing),
            (
                "subscriptions_off",
                "Subscriptions switched off after five days of failures, or because the receiver is gone.",
                given_up,
            ),
        ):
            yield GaugeMetricFamily(f"zonebook_{name}", said, value=value)


def _rechecks(by_lane: Mapping[int, Sequence[float]]) -> Iterator[Metric]:
    """by_lane: batches, sites, seconds."""
    took = SummaryMetricFamily(
        "zonebook_recheck_seconds",
        "How long sweeps took to recompute sites, and how many sites, by lane.",
        labels=["lane"],
    )
    batches = CounterMetricFamily(
        "zonebook_recheck_batches",
        "Batches in which sweeps recomputed sites. A person who makes a change waits for one at most.",
        labels=["lane"],
    )
    for lane in Mark.Lane:
        count, sites, seconds = by_lane.get(lane, (0, 0, 0.0))
        took.add_metric([str(lane.label)], int(sites), seconds)
        batches.add_metric([str(lane.label)], count)
    yield took
    yield batches


class _Requests(Collector):
    """How long requests took, and waited for a thread."""

    def collect(self) -> Iterator[Metric]:
        waits = HistogramMetricFamily(
            "zonebook_thread_wait_seconds",
            "How long requests to this server waited for a thread, and so for a connection to the database.",
        )
        _add(waits, [], times.of(THREAD_WAIT))
        yield waits
        took = HistogramMetricFamily(
            "zonebook_request_seconds",
            "How long requests to this server took, since it was started.",
            labels=["method", "route"],
        )
        for (method, route), row in rows().items():
            counted = times.of(row)
            if counted.count:
                _add(took, [method, route], counted)
        yield took


def _add(metric: HistogramMetricFamily, labels: list[str], counted: Counted) -> None:
    metric.add_metric(labels, list(counted.up_to()), counted.sum_s)


@extend_schema(exclude=True)
class MetricsView(ApiView):
    """Figures of the whole service, for monitoring: of all customers, so it takes a grant of all."""

    specs = {"get": Spec(Ability.ADMIN, answer={"type": "string"})}

    def get(self, request: Request) -> HttpResponse:  # noqa: ARG002
        self.principal.require_all_customers()
        registry = CollectorRegistry(auto_describe=False)
        registry.register(_Service())
        registry.register(_Requests())
        return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)
