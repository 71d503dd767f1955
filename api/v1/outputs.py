"""Outputs: the analog audio outputs of networked devices."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.gates import output_for
from sites.models import Output
from sites.services.endpoints import output_add, output_alter, output_end

from .dated import PlacedFilterSet, PlacedMixin, PlacedSerializer
from .endpoints import EndpointSerializer
from .sites import SiteSerializer


class OutputSerializer(PlacedSerializer):
    expansions = {"site": SiteSerializer, "endpoint": EndpointSerializer}

    class Meta:
        model = Output


class OutputFilterSet(PlacedFilterSet):
    endpoint_id = fields.Id()
    closet_id = fields.Id(source="endpoint__closet_id", help_text="Outputs of the devices in this closet.")
    number = fields.Whole(min_value=1, max_value=32767)
    terminal = fields.Choice(choices=Output.Terminal.choices)


class OutputViewSet(PlacedMixin, RecordViewSet):
    """Analog audio outputs. A new device brings those of its model with it."""

    gate = output_for
    serializer_class = OutputSerializer
    filterset_class = OutputFilterSet
    ordering_fields = {"number": "number", "endpoint": "endpoint__name", "id": "id"}
    ordering = "endpoint"
    bodies = {
        "create": Writing(output_add, within=("endpoint",)),
        "partial_update": Writing(output_alter, subject="output", partial=True),
        "destroy": Writing(output_end, subject="output"),
    }
