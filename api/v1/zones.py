"""Zones: the area that hears one page; what it carries, and what came of it over time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Ended
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.changes.services import today_at
from zones.gates import zone_for
from zones.loads.explanations import Explanations
from zones.loads.histories import zone_history
from zones.loads.site_loads import loads_on, site_loads
from zones.loads.zone_loads import loads_of_zones
from zones.models import Zone
from zones.services.zones import zone_add, zone_alter, zone_end

from .dated import Stood, StoodFilters
from .histories import HistoryQuery, ZoneHistoryShown, zone_history_shown
from .loads import LoadQuery, ZoneLoadShown, zone_load_shown
from .placed import StepDay
from .sites import SiteShown
from .zone_states import ZoneFigureShown, ZoneFindingShown, put_states


class ZoneShown(Representation):
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "site": Expansion(SiteShown, related=("site",)),
        "figures": Expansion(ZoneFigureShown, many=True, source="shown_figures"),
        "findings": Expansion(ZoneFindingShown, many=True, source="shown_findings"),
    }

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
        "load": Ability.READ_INVENTORY,
        "history": Ability.READ_INVENTORY,
    }
    bodies = {
        "create": Writing(zone_add, of_site=True),
        "partial_update": Writing(zone_alter, subject="zone", partial=True),
        "destroy": Writing(zone_end, subject="zone"),
    }
    queries = {"load": LoadQuery, "history": HistoryQuery}
    answers = {"load": {200: ZoneLoadShown}, "history": {200: ZoneHistoryShown}}

    def furnish(self, rows: Sequence[Any]) -> None:
        super().furnish(rows)
        put_states(rows, self.asked.get("expand", ()))

    @action(detail=True, methods=["get"])
    def load(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """What the zone carries on a day: every figure that bears on it, from its runs back to the switch,
        with its limit, headroom and verdict."""
        zone, day = self._asked_for()
        computed = site_loads(zone.site_id, day) if self.asked["explain"] else None
        loads = computed or loads_on(zone.site_id, day, zone_id=zone.pk)
        load = loads_of_zones(loads, [zone.pk])[zone.pk]
        return Response(zone_load_shown(zone, load, Explanations(computed) if computed else None))

    @action(detail=True, methods=["get"])
    def history(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002
        """How what the zone carries on a day came about: each figure over time, from its commissioning on,
        with the changes that made it and those that crossed its limit."""
        zone, day = self._asked_for()
        lines = zone_history(zone.pk, zone.site_id, day, codes=self.asked.get("code"))
        return Response(zone_history_shown(zone, day, lines))

    def _asked_for(self) -> tuple[Zone, date]:
        """The zone, and the day that was asked for, on which it stood."""
        zone: Zone = self.row()
        day: date | None = self.asked.get("as_of")
        if day is None:
            return zone, today_at(zone.site_id)
        self.require_there(zone, day)
        return zone, day
