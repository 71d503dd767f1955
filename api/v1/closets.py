"""Closets: where things are mounted, and how a person gets in."""

from __future__ import annotations

from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.views import Spec
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import closet_for
from sites.models import Closet
from sites.services.closets import closet_add, closet_alter, closet_end
from zones.visits.closet_sheet import closet_sheet

from .closet_sheets import ClosetSheetSerializer, closet_sheet_data
from .contacts import ContactSerializer
from .dated import NO_CASE, AsOfQuery, PlacedFilterSet, PlacedMixin, PlacedSerializer, day_asked
from .sites import SiteSerializer


class ClosetSerializer(PlacedSerializer):
    expansions = {"site": SiteSerializer, "contacts": ContactSerializer}

    class Meta:
        model = Closet


class ClosetFilterSet(PlacedFilterSet):
    building = fields.Text(source="building__iexact", help_text=NO_CASE)


class ClosetViewSet(PlacedMixin, RecordViewSet):
    """Telecommunications closets, with how to reach them. Door codes are not here: they are asked for one at
    a time."""

    gate = closet_for
    serializer_class = ClosetSerializer
    filterset_class = ClosetFilterSet
    bodies = {
        "create": Writing(closet_add, of_site=True),
        "partial_update": Writing(closet_alter, subject="closet", partial=True),
        "destroy": Writing(closet_end, subject="closet"),
    }

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=ClosetSheetSerializer))
    def sheet(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """All that one reads before going there: life safety, dangers, the way in, what stands there, what it
        carries, what is wrong with it and what is not recorded. Never a code."""
        closet: Closet = self.get_standing_object()
        return Response(closet_sheet_data(closet_sheet(closet, day_asked(self.asked, closet.site))))
