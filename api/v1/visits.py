"""Visits: a technician at a closet on a day, for a job."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.findings.visits import done_on
from zones.gates import visit_for
from zones.models import Visit
from zones.services.visits import visit_alter, visit_record

from .closets import ClosetSerializer
from .dated import NO_CASE, CoveredFilterSet
from .sites import SiteSerializer
from .visits_done import DoneSerializer

DONE: Final = "done"
"""Name of the expansion."""


class VisitSerializer(ResourceSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer, DONE: DoneSerializer}

    class Meta:
        model = Visit

    @classmethod
    def expands_to_many(cls, name: str) -> bool:
        return name != DONE and super().expands_to_many(name)


class VisitFilterSet(CoveredFilterSet):
    closet_id = fields.Id()
    technician = fields.Text(source="technician__iexact", help_text=NO_CASE)
    job_reference = fields.Text(source="job_reference__iexact", help_text=NO_CASE)
    visited_from = fields.Day(source="visited_on__gte", help_text="On this day or later.")
    visited_until = fields.Day(source="visited_on__lte", help_text="On this day or earlier.")

    leading = frozenset({"job_reference"})
    across = {"visited_on": ("visited_from", "visited_until"), "id": ()}


class VisitViewSet(BulkMixin, CreateMixin, UpdateMixin):
    """Visits. What was tested is found by `GET /tests?visit_id=`, what was changed by
    `GET /change-sets?visit_id=`; `expand=done` counts both."""

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

    def annotate(self, rows: Sequence[Any]) -> None:
        super().annotate(rows)
        if DONE in self.asked.get("expand", ()):
            found = done_on([row.pk for row in rows])
            for row in rows:
                row.done = found[row.pk]
