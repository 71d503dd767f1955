"""Closets: where things are mounted, and how a person gets in."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended, Listed, Shown
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import closet_for
from sites.models import Closet
from sites.services.closets import closet_add, closet_alter, closet_end

from .contacts import ContactShown
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
    }
    bodies = {
        "create": Writing(closet_add, of_site=True),
        "partial_update": Writing(closet_alter, subject="closet", partial=True),
        "destroy": Writing(closet_end, subject="closet"),
    }
