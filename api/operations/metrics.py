"""`/metrics`: what an operator's monitoring watches, in the open text format that Prometheus began.

All of it is read from the database, so it is the same whichever process answers: whether what changed is
recomputed, and whether what happened is told."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from django.db import connection
from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector
from rest_framework.request import Request

from api.conventions.views import ApiView, Spec
from api.events.publisher import feed_now
from sites.access.abilities import Ability
from sites.models.changes import Mark

_STALE: Final = """
    SELECT lane, count(DISTINCT site_id), coalesce(extract(epoch FROM clock_timestamp() - min(made_at)), 0)
    FROM mark GROUP BY lane
"""
_UNPUBLISHED: Final = """
    SELECT count(*), coalesce(extract(epoch FROM clock_timestamp() - min(happened_at)), 0)
    FROM event WHERE sequence IS NULL
"""


class _Service(Collector):
    """Collects when it is asked, as the library wants it."""

    def collect(self) -> Iterator[Metric]:
        with connection.cursor() as cursor:
            cursor.execute(_STALE)
            marked = {lane: (count, float(age)) for lane, count, age in cursor.fetchall()}
            cursor.execute(_UNPUBLISHED)
            unpublished, unpublished_s = cursor.fetchone()
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


@extend_schema(exclude=True)
class MetricsView(ApiView):
    """Gauges of the whole service, for a monitoring program: of all customers, so it takes a grant of all."""

    specs = {"get": Spec(Ability.ADMIN, answer={"type": "string"})}

    def get(self, request: Request) -> HttpResponse:  # noqa: ARG002
        self.principal.require_all_customers()
        registry = CollectorRegistry(auto_describe=False)
        registry.register(_Service())
        return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)
