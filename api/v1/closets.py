"""Closets: where things are mounted, and how a person gets in."""

from __future__ import annotations

from datetime import date
from typing import ClassVar

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended, Listed, Shown
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import closet_for
from sites.changes.services import today_at
from sites.models import Closet
from sites.services.closets import closet_add, closet_alter, closet_end
from zones.visits.closet_sheet import closet_sheet

from .closet_sheets import ClosetSheetShown, SheetQuery, closet_sheet_shown
from .contacts import ContactShown
from .dated import require_stood
from .placed import PlacedFilters, StepDay
from .sites import SiteShown


class ClosetShown(Representation):
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "contacts": Expansion(ContactShown, prefetched=("contacts",), many=True),
    }

    class Meta:
        model = Closet
        fields = (
            "id",
            "site_id",
            "name",
            "building",
            "floor",
            "room",
            "directions",
            "opened_by",
            "opening_hours",
            "key_location",
            "escort",
            "induction",
            "permits",
            "protective_equipment",
            "other_tenants",
            "dangers",
            "ladder_m",
            "note",
            "began_on",
            "ended_on",
        )


class ClosetFilters(PlacedFilters):
    building = fields.Text(required=False, help_text="Without regard to capital letters.")

    lookups: ClassVar[dict[str, Lookup]] = {**PlacedFilters.lookups, "building": "building__iexact"}


class Closets(Listed, Shown, Ended):
    """Telecommunications closets, with how to reach them. Door codes are not here: they are asked for one at
    a time."""

    gate = closet_for
    representation = ClosetShown
    filters = ClosetFilters
    orders = {"name": Order("name"), "site": Order("site__name"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
        "sheet": Ability.READ_INVENTORY,
    }
    bodies = {
        "create": Writing(closet_add, of_site=True),
        "partial_update": Writing(closet_alter, subject="closet", partial=True),
        "destroy": Writing(closet_end, subject="closet"),
    }
    queries = {"sheet": SheetQuery}
    answers = {"sheet": {200: ClosetSheetShown}}

    @action(detail=True, methods=["get"])
    def sheet(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """All that one reads before going there: life safety, dangers, the way in, what stands there, what it
        carries, what is wrong with it and what nobody knows. Never a code."""
        closet: Closet = self.row()
        day: date | None = self.asked.get("as_of")
        if day is not None:
            require_stood(closet, day)
        return Response(closet_sheet_shown(closet_sheet(closet, day or today_at(closet.site_id))))
