"""Zones: the area that hears one page; what it carries, and what came of it over time."""

from __future__ import annotations

from typing import ClassVar

from django.db.models import QuerySet

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import zone_for
from zones.models import Zone
from zones.services.zones import zone_add, zone_alter, zone_end

from .dated import Stood, StoodFilters
from .placed import StepDay
from .sites import SiteShown


class ZoneShown(Representation):
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {"site": Expansion(SiteShown, related=("site",))}

    class Meta:
        model = Zone
        fields = (
            "id",
            "site_id",
            "name",
            "life_safety",
            "page_code",
            "groups",
            "priority",
            "note",
            "began_on",
            "ended_on",
        )


def _in_group(rows: QuerySet[Zone], group: str) -> QuerySet[Zone]:
    return rows.filter(groups__contains=[group])


class ZoneFilters(StoodFilters):
    name = fields.Text(required=False, help_text="Without regard to capital letters.")
    page_code = fields.Text(required=False)
    group = fields.Text(required=False, help_text="Zones that belong to this group.")
    life_safety = fields.Choice(choices=Zone.LifeSafety.choices, required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "name": "name__iexact",
        "page_code": "page_code",
        "group": _in_group,
        "life_safety": "life_safety",
    }


class Zones(Stood, Ended):
    """Zones: the area that hears one page. Whether it serves life safety is `unknown` until someone says."""

    gate = zone_for
    representation = ZoneShown
    filters = ZoneFilters
    orders = {
        "name": Order("name"),
        "page_code": Order("page_code"),
        "site": Order("site__name"),
        "id": Order("id"),
    }
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(zone_add, of_site=True),
        "partial_update": Writing(zone_alter, subject="zone", partial=True),
        "destroy": Writing(zone_end, subject="zone"),
    }
