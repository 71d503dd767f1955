"""Which network speakers are heard in which zone: the zone's feed beside its runs."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Made, Removed
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from zones.gates import zone_endpoint_for
from zones.models import ZoneEndpoint
from zones.services.zones import zone_endpoint_add, zone_endpoint_end

from .dated import Stood, StoodFilters
from .endpoints import EndpointShown
from .placed import StepDay
from .zones import ZoneShown


class ZoneEndpointShown(Representation):
    began_on = StepDay(source="begin_step")
    ended_on = StepDay(source="end_step", allow_null=True)

    expansions: ClassVar = {
        "zone": Expansion(ZoneShown, related=("zone",)),
        "endpoint": Expansion(EndpointShown, related=("endpoint",)),
    }

    class Meta:
        model = ZoneEndpoint
        fields = ("id", "site_id", "zone_id", "endpoint_id", "began_on", "ended_on")


class ZoneEndpointFilters(StoodFilters):
    zone_id = fields.Id(required=False)
    endpoint_id = fields.Id(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **StoodFilters.lookups,
        "zone_id": "zone_id",
        "endpoint_id": "endpoint_id",
    }


class ZoneEndpoints(Stood, Made, Removed):
    """Network speakers that are heard in a zone, each from a day to a day."""

    gate = zone_endpoint_for
    representation = ZoneEndpointShown
    filters = ZoneEndpointFilters
    orders = {"id": Order("id"), "zone": Order("zone__name"), "endpoint": Order("endpoint__name")}
    usual_order = "id"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "destroy": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(zone_endpoint_add, within=("zone",)),
        "destroy": Writing(zone_endpoint_end, subject="zone_endpoint"),
    }
