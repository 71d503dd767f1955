"""Points: the devices and splices of a run, and the segment of cable to each."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

from django.db.models import Exists, OuterRef, QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.scope import on_sites_of
from sites.changes.steps import day_of, first_step_after
from sites.selectors import history, recorded_before
from zones.gates import point_for
from zones.models import Point, PointFacts
from zones.selectors import heard_in_zone, points_of_model
from zones.services.points import (
    point_alter,
    point_append,
    point_correct,
    point_found,
    point_insert,
    point_remove,
)

from .catalogue import CableTypeSerializer, DeviceModelSerializer
from .dated import DatedFilterSet, DatedMixin, FactsSerializer, not_there
from .runs import RunSerializer


class PointSerializer(FactsSerializer):
    after_id = fields.Id(
        source="now.parent_id",
        read_only=True,
        allow_null=True,
        help_text="The point before it; null: its segment comes from the block.",
    )

    expansions = {"run": RunSerializer, "model": DeviceModelSerializer, "cable_type": CableTypeSerializer}

    class Meta:
        model = Point
        facts = PointFacts
        exclude = ("parent", "parent_rank")
        extra_kwargs = {
            "rank": {"read_only": True, "help_text": "Its place in the run's order: parents come first."}
        }


_BY_FACTS: Final = ("zone_id", "model_id", "feed_supply_id", "kind")
"""Filters by what held of a point on the day, so that it was recorded by then."""


class PointFilterSet(DatedFilterSet):
    run_id = fields.Id()
    zone_id = fields.Id(help_text="What is heard in this zone: on its runs, or on another zone's.")
    name = fields.Text()
    model_id = fields.Id()
    feed_supply_id = fields.Id(help_text="Points at which this supply feeds a run.")
    kind = fields.Word(PointFacts.Kind)

    of = "run__"  # a point stands as long as its run does
    across = {"id": ("model_id",)}

    def filter_ended(self, rows: QuerySet[Any], value: str) -> QuerySet[Any]:
        rows = super().filter_ended(rows, value)
        if any(name in self.validated_data for name in _BY_FACTS):
            return rows
        there = recorded_before(PointFacts, self.before).filter(point_id=OuterRef("pk"))
        return rows.filter(Exists(there))

    # The runs are named too, whose ends are looked at: or those of all sites are read

    def filter_site_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return rows.filter(site_id=value, run__site_id=value)

    def filter_customer_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return super().filter_customer_id(rows, value).filter(on_sites_of([value], "run__site_id"))

    def filter_model_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return points_of_model(rows, value, self.before)

    def filter_zone_id(self, rows: QuerySet[Any], value: int) -> QuerySet[Any]:
        return heard_in_zone(rows, value, self.before)


class PointViewSet(BulkMixin, DatedMixin, RecordViewSet):
    """Points of runs: devices, bare splices and uncounted groups. Ending a point
    takes the device off and leaves a splice."""

    gate = point_for
    serializer_class = PointSerializer
    filterset_class = PointFilterSet
    ordering_fields = {"rank": "rank", "name": "name", "id": "id"}
    ordering = "id"
    bodies = {
        "create": Writing(point_append, within=("run",)),
        "insert": Writing(point_insert, within=("before",)),
        "found": Writing(point_found, within=("run",)),
        "partial_update": Writing(point_alter, subject="point", partial=True),
        "destroy": Writing(point_remove, subject="point"),
        "correct": Writing(point_correct, subject="point", partial=True),
    }

    @action(detail=False, methods=["post"])
    def insert(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Cut a device or splice into a run, into the segment before a point."""
        return self.create(request, *args, **kwargs)

    @action(detail=False, methods=["post"])
    def found(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Record a device that turns out to have been on a run all along. This adds nothing on site."""
        return self.create(request, *args, **kwargs)

    def require_there(self, row: Point, day: date) -> None:
        super().require_there(row.run, day)
        first = history(PointFacts, row.pk).first()
        if first is not None and first.step >= first_step_after(day):
            raise not_there(f"It did not stand on {day} yet: it was added on {day_of(first.step)}.")
