"""Coverages: which contract covers which site, from which day to which."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.etags import Versions
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Representation
from api.conventions.views import Ended, Listed, Shown
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import Gate
from sites.changes.services import Accepted
from sites.models import Coverage
from sites.services.customers import coverage_add, coverage_alter, coverage_remove


class RangeDay(serializers.DateField):
    """One end of a range of days, which holds from its first day until before its end."""

    def __init__(self, end: str, **kwargs: Any) -> None:
        self.end = end
        super().__init__(source="days", read_only=True, allow_null=True, **kwargs)

    def to_representation(self, value: Any) -> str | None:  # type: ignore[override]
        day: date | None = getattr(value, self.end)
        return None if day is None else day.isoformat()


class CoverageShown(Representation):
    first_day = RangeDay("lower")
    end_day = RangeDay("upper", help_text="The first day not covered any more; null: until further notice.")

    class Meta:
        model = Coverage
        fields = ("id", "contract_id", "site_id", "first_day", "end_day")


def _on(rows: QuerySet[Coverage], day: date) -> QuerySet[Coverage]:
    return rows.filter(days__contains=day)


class CoverageFilters(Filters):
    contract_id = fields.Id(required=False)
    site_id = fields.Id(required=False)
    on = fields.Day(required=False, help_text="Those in force on this day.")

    lookups: ClassVar[dict[str, Lookup]] = {"contract_id": "contract_id", "site_id": "site_id", "on": _on}


class Coverages(Listed, Shown, Ended):
    """Which contract covers which site, from which day to which; at most one contract covers a site at a
    time."""

    gate = Gate(Coverage, "contract")
    representation = CoverageShown
    filters = CoverageFilters
    orders = {"id": Order("id"), "site_id": Order("site_id")}
    usual_order = "id"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.ADMIN,
        "partial_update": Ability.ADMIN,
        "destroy": Ability.ADMIN,
    }
    bodies = {
        "create": Writing(coverage_add),
        "partial_update": Writing(coverage_alter, subject="coverage", partial=True),
        "destroy": Writing(coverage_remove, subject="coverage"),
    }

    def versions(self, row: Coverage) -> Versions:
        # The row counts no versions of its own; its days are all that can change of it
        first, end = (0 if day is None else day.toordinal() for day in (row.days.lower, row.days.upper))
        return {"first": first, "end": end}

    def written(self, row: Coverage) -> Accepted[Any]:
        """A PATCH that names one of the days leaves the other as it is."""
        writing = self.writing()
        asked = writing.read(self.request.data, self.principal)
        if self.operation == "partial_update":
            as_it_is = {"first_day": row.days.lower, "end_day": row.days.upper}
            asked = replace(asked, values=as_it_is | dict(asked.values))
        return self.accepted(writing, asked, row)
