"""What things that stand on a site have in common: since when, until when, and lists of those that stand
now."""

from __future__ import annotations

from datetime import date
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers

from api.conventions import fields
from api.conventions.listing import Filters, Lookup
from sites.changes.steps import day_of


class StepDay(serializers.DateField):
    """The day of a step: when a thing began to stand, or ended."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(read_only=True, **kwargs)

    def to_representation(self, value: int) -> str:  # type: ignore[override]
        day: date = day_of(value)
        return day.isoformat()


def _ended(rows: QuerySet[Any], which: str) -> QuerySet[Any]:
    return rows if which == "any" else rows.filter(end_step__isnull=which == "no")


class SiteFilters(Filters):
    """For what lies on one site."""

    site_id = fields.Id(required=False)
    customer_id = fields.Id(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"site_id": "site_id", "customer_id": "site__customer_id"}


class PlacedFilters(SiteFilters):
    """For what stands on one site, and ends."""

    ended = fields.Choice(
        choices=["no", "yes", "any"], default="no", help_text="Those that stand, those that ended, or both."
    )

    lookups: ClassVar[dict[str, Lookup]] = {**SiteFilters.lookups, "ended": _ended}
