"""Paging sets: which zones page together."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Made, Removed
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import paging_set_for
from zones.models import PagingSet
from zones.services.paging_sets import paging_set_add, paging_set_alter, paging_set_end

from .dated import Stood, StoodFilters
from .placed import StepDay
from .sites import SiteShown


class MembersField(serializers.ListField):
    """The ids of the zones of a set."""

    def __init__(self) -> None:
        super().__init__(child=fields.Id(), source="members", read_only=True)

    def to_representation(self, data: Any) -> list[int]:
        return sorted(member.zone_id for member in data.all())


class PagingSetShown(Representation):
    zone_ids = MembersField()
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {"site": Expansion(SiteShown, related=("site",))}

    class Meta:
        model = PagingSet
        fields = ("id", "site_id", "name", "zone_ids", "began_on", "ended_on")


class PagingSetFilters(StoodFilters):
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    zone_id = fields.Id(required=False, help_text="Sets that this zone belongs to.")

    # A zone is once in a set (a constraint), so the join repeats no row
    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "name": "name__iexact",
        "zone_id": "members__zone_id",
    }


class PagingSets(Stood, Made, Removed):
    """Zones that page together. A site that lists none pages all zones of a supply at once, which is the
    harsher case."""

    gate = paging_set_for
    representation = PagingSetShown
    filters = PagingSetFilters
    orders = {"name": Order("name"), "site": Order("site__name"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "replace": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(paging_set_add, within=("zones",)),
        "destroy": Writing(paging_set_end, subject="paging_set"),
        "replace": Writing(paging_set_alter, subject="paging_set"),
    }
    making = ("create", "replace")
    versioned = ("replace",)

    def rows(self) -> QuerySet[PagingSet]:
        rows: QuerySet[PagingSet] = super().rows().prefetch_related("members")
        return rows

    @action(detail=True, methods=["post"])
    def replace(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - of an address
        """Other zones page together from now on: the set ends, and one of its name takes its place."""
        made = self.written(self.named_row())
        return self.shown(self.gate(principal=self.principal, id=made.result.pk), status=201)
