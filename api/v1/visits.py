"""Visits: a technician at a closet on a day, for a job."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import visit_for
from zones.models import Visit
from zones.services.visits import visit_alter, visit_record

from .closets import ClosetSerializer
from .dated import NO_CASE, SiteFilterSet
from .sites import SiteSerializer


class VisitSerializer(ResourceSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer}

    class Meta:
        model = Visit


class VisitFilterSet(SiteFilterSet):
    closet_id = fields.Id()
    technician = fields.Text(source="technician__iexact", help_text=NO_CASE)
    job_reference = fields.Text(source="job_reference__iexact", help_text=NO_CASE)
    visited_from = fields.Day(source="visited_on__gte", help_text="On this day or later.")
    visited_until = fields.Day(source="visited_on__lte", help_text="On this day or earlier.")

    leading = frozenset({"job_reference"})
    across = {"visited_on": ("visited_from", "visited_until"), "id": ()}


class VisitViewSet(BulkMixin, CreateMixin, UpdateMixin):
    """Visits. What was tested is found by `GET /tests?visit_id=`, what was changed by
    `GET /change-sets?visit_id=`."""

    gate = visit_for
    serializer_class = VisitSerializer
    filterset_class = VisitFilterSet
    ordering_fields = {"visited_on": "visited_on", "id": "id"}
    ordering = "-visited_on"
    write_ability = Ability.WRITE_TESTS
    bodies = {
        "create": Writing(visit_record, within=("closet",)),
        "partial_update": Writing(visit_alter, subject="visit", partial=True),
    }
