"""Which network speakers are heard in which zone: the zone's feed beside its runs."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import CreateMixin, DestroyMixin
from api.conventions.writing import Writing
from zones.gates import zone_endpoint_for
from zones.models import ZoneEndpoint
from zones.services.zones import zone_endpoint_add, zone_endpoint_end

from .dated import PlacedFilterSet, PlacedMixin, PlacedSerializer
from .endpoints import EndpointSerializer
from .zones import ZoneSerializer


class ZoneEndpointSerializer(PlacedSerializer):
    expansions = {"zone": ZoneSerializer, "endpoint": EndpointSerializer}

    class Meta:
        model = ZoneEndpoint


class ZoneEndpointFilterSet(PlacedFilterSet):
    zone_id = fields.Id()
    endpoint_id = fields.Id()


class ZoneEndpointViewSet(PlacedMixin, CreateMixin, DestroyMixin):
    """Network speakers that are heard in a zone, each from a day to a day."""

    gate = zone_endpoint_for
    serializer_class = ZoneEndpointSerializer
    filterset_class = ZoneEndpointFilterSet
    ordering_fields = {"id": "id", "zone": "zone__name", "endpoint": "endpoint__name"}
    ordering = "id"
    bodies = {
        "create": Writing(zone_endpoint_add, within=("zone",)),
        "destroy": Writing(zone_endpoint_end, subject="zone_endpoint"),
    }
