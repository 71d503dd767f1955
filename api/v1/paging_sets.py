"""Paging sets: which zones page together."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.views import Spec
from api.conventions.viewsets import CreateMixin, DestroyMixin
from api.conventions.writing import Writing
from zones.gates import paging_set_for
from zones.models import PagingSet
from zones.selectors import zones_of_sets
from zones.services.paging_sets import paging_set_add, paging_set_alter, paging_set_end

from .dated import NO_CASE, PlacedFilterSet, PlacedMixin, PlacedSerializer
from .sites import SiteSerializer


class PagingSetSerializer(PlacedSerializer):
    zone_ids = serializers.ListField(child=fields.Id(), read_only=True)

    expansions = {"site": SiteSerializer}

    class Meta:
        model = PagingSet


class PagingSetFilterSet(PlacedFilterSet):
    name = fields.Text(source="name__iexact", help_text=NO_CASE)
    # A zone is once in a set (a constraint), so the join repeats no row
    zone_id = fields.Id(source="members__zone_id", help_text="Sets that this zone belongs to.")


class PagingSetViewSet(BulkMixin, PlacedMixin, CreateMixin, DestroyMixin):
    """Zones that page together. A site that lists none pages all zones of a supply at once, which is the
    worst case."""

    gate = paging_set_for
    serializer_class = PagingSetSerializer
    filterset_class = PagingSetFilterSet
    bodies = {
        "create": Writing(paging_set_add, within=("zones",)),
        "destroy": Writing(paging_set_end, subject="paging_set"),
    }

    def annotate(self, rows: Sequence[Any]) -> None:
        zone_ids = zones_of_sets(row.pk for row in rows)
        for row in rows:
            row.zone_ids = zone_ids[row.pk]

    @action(
        detail=True,
        methods=["post"],
        action_spec=Spec(body=Writing(paging_set_alter, subject="paging_set"), status=201, if_match=True),
    )
    def replace(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Other zones page together from now on: the set ends, and one of its name takes its place."""
        return self.respond_reread(self.perform(self.matched_object()).result.pk)
