"""Coverages: which contract covers which site, from which day to which."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.etags import Versions, versions_of
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Representation
from api.conventions.views import Listed, Shown
from sites.access.abilities import Ability
from sites.access.gates import Gate
from sites.models import Coverage


class FirstDay(serializers.DateField):
    """The first day of a range of days, which is kept half open."""

    def to_representation(self, value: Any) -> str | None:  # type: ignore[override]
        begin: date | None = value.lower
        return None if begin is None else begin.isoformat()


class LastDay(serializers.DateField):
    """The last day of such a range, itself included."""

    def to_representation(self, value: Any) -> str | None:  # type: ignore[override]
        end: date | None = value.upper
        return None if end is None else (end - timedelta(days=1)).isoformat()


class CoverageShown(Representation):
    first_day = FirstDay(source="days", read_only=True, allow_null=True, help_text="null: since ever.")
    last_day = LastDay(
        source="days", read_only=True, allow_null=True, help_text="Its last day; null: until further notice."
    )

    class Meta:
        model = Coverage
        fields = ("id", "contract_id", "site_id", "first_day", "last_day")


def _on(rows: QuerySet[Coverage], day: date) -> QuerySet[Coverage]:
    return rows.filter(days__contains=day)


class CoverageFilters(Filters):
    contract_id = fields.Id(required=False)
    site_id = fields.Id(required=False)
    on = fields.Day(required=False, help_text="Those in force on this day.")

    lookups: ClassVar[dict[str, Lookup]] = {"contract_id": "contract_id", "site_id": "site_id", "on": _on}


class Coverages(Listed, Shown):
    """Which contract covers which site, from which day to which; at most one contract covers a site at a
    time."""

    gate = Gate(Coverage, "contract")
    representation = CoverageShown
    filters = CoverageFilters
    orders = {"id": Order("id"), "site_id": Order("site_id")}
    usual_order = "id"
    abilities = {"list": Ability.READ_INVENTORY, "retrieve": Ability.READ_INVENTORY}

    def versions(self, row: Coverage) -> Versions:
        return versions_of(row.contract)
