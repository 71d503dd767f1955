"""Coverages: which contract covers which site, from which day to which."""

from __future__ import annotations

from datetime import date
from typing import Any

from rest_framework import serializers

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import RecordViewSet, Versions
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import Gate
from sites.changes.services import Accepted, Change
from sites.models import Coverage
from sites.services.customers import coverage_add, coverage_alter, coverage_remove


class RangeDayField(serializers.DateField):
    """One end of a range of days, which holds from its first day until before its end."""

    def __init__(self, end: str, **kwargs: Any) -> None:
        self.end = end
        super().__init__(source="days", read_only=True, allow_null=True, **kwargs)

    def to_representation(self, value: Any) -> str | None:  # type: ignore[override]
        day: date | None = getattr(value, self.end)
        return None if day is None else day.isoformat()


class CoverageSerializer(ResourceSerializer):
    first_day = RangeDayField("lower")
    end_day = RangeDayField(
        "upper", help_text="The first day not covered any more; null: until further notice."
    )

    class Meta:
        model = Coverage
        exclude = ("days",)


class CoverageFilterSet(FilterSet):
    contract_id = fields.Id()
    site_id = fields.Id()
    on = fields.Day(source="days__contains", help_text="Those in force on this day.")


class CoverageViewSet(RecordViewSet):
    """Which contract covers which site, from which day to which; at most one contract covers a site at a
    time."""

    gate = Gate(Coverage, "contract")
    serializer_class = CoverageSerializer
    filterset_class = CoverageFilterSet
    ordering_fields = {"id": "id", "site_id": "site_id"}
    ordering = "id"
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(coverage_add),
        "partial_update": Writing(coverage_alter, subject="coverage", partial=True),
        "destroy": Writing(coverage_remove, subject="coverage"),
    }

    def versions(self, row: Coverage) -> Versions:
        # The row counts no versions of its own; its days are all that can change of it
        first, end = (0 if day is None else day.toordinal() for day in (row.days.lower, row.days.upper))
        return {"first": first, "end": end}

    def accept(
        self, writing: Writing, change: Change, values: dict[str, Any], row: Any, *, expects: bool = True
    ) -> Accepted[Any]:
        """A PATCH that names one of the days leaves the other as it is."""
        if writing.partial:
            values = {"first_day": row.days.lower, "end_day": row.days.upper} | values
        return super().accept(writing, change, values, row, expects=expects)
