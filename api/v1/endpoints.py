"""Endpoints, the networked audio devices, and their analog audio outputs."""

from __future__ import annotations

from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.gates import endpoint_for, output_for
from sites.models import DeviceModel, Endpoint, EndpointFacts, Output
from sites.services.endpoints import (
    endpoint_add,
    endpoint_alter,
    endpoint_correct,
    endpoint_end,
    endpoint_move,
    output_add,
    output_alter,
    output_end,
)
from zones.electrical.subjects import SubjectKind

from .catalogue import CableTypeSerializer, DeviceModelSerializer
from .closets import ClosetSerializer
from .dated import (
    NO_CASE,
    DatedMixin,
    DatedSerializer,
    NamedDatedFilterSet,
    PlacedFilterSet,
    PlacedMixin,
    PlacedSerializer,
)
from .loads import SubjectLoadMixin
from .sites import SiteSerializer
from .switches import SwitchPortSerializer

_KINDS = (DeviceModel.Kind.GATEWAY, DeviceModel.Kind.NETWORK_SPEAKER, DeviceModel.Kind.NETWORK_AMPLIFIER)


class EndpointSerializer(DatedSerializer):
    expansions = {
        "site": SiteSerializer,
        "closet": ClosetSerializer,
        "model": DeviceModelSerializer,
        "port": SwitchPortSerializer,
        "cable_type": CableTypeSerializer,
    }

    class Meta:
        model = Endpoint
        facts = EndpointFacts


class EndpointFilterSet(NamedDatedFilterSet):
    serial = fields.Text()
    mac = fields.Text(source="mac__iexact", help_text=NO_CASE)
    warranty_before = fields.Day(
        source="warranty_end__lt", help_text="Those whose warranty ends before this day."
    )
    model_id = fields.Id()
    kind = fields.Choice(source="model__kind", choices=[str(kind) for kind in _KINDS])
    port_id = fields.Id()
    switch_id = fields.Id(source="port__switch_id", help_text="Devices on some port of this switch.")
    power_source = fields.Choice(choices=EndpointFacts.PowerSource.choices)
    service = fields.Choice(choices=EndpointFacts.Service.choices)
    address = fields.Address(help_text="Its address on the network, exactly.")

    leading = frozenset({"serial", "mac", "address"})
    across = {"name": ("name",), "site": (), "id": ("name",), "warranty_end": ("warranty_before",)}


class EndpointViewSet(BulkMixin, SubjectLoadMixin, DatedMixin, RecordViewSet):
    """Networked audio devices: gateways, network speakers and network amplifiers. Moving one to another port
    is an address of its own, since what the old port granted says nothing of the new one."""

    kind = SubjectKind.ENDPOINT
    gate = endpoint_for
    serializer_class = EndpointSerializer
    filterset_class = EndpointFilterSet
    ordering_fields = {"name": "name", "site": "site__name", "warranty_end": "warranty_end", "id": "id"}
    bodies = {
        "create": Writing(endpoint_add, within=("site",)),
        "partial_update": Writing(endpoint_alter, subject="endpoint", partial=True),
        "destroy": Writing(endpoint_end, subject="endpoint"),
        "move": Writing(endpoint_move, subject="endpoint"),
        "correct": Writing(endpoint_correct, subject="endpoint", partial=True),
    }

    @action(detail=True, methods=["post"])
    def move(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Patch a networked device to another port, or off every port (null)."""
        return self.change()


class OutputSerializer(PlacedSerializer):
    expansions = {"site": SiteSerializer, "endpoint": EndpointSerializer}

    class Meta:
        model = Output


class OutputFilterSet(PlacedFilterSet):
    endpoint_id = fields.Id()
    closet_id = fields.Id(source="endpoint__closet_id", help_text="Outputs of the devices in this closet.")
    number = fields.Whole(min_value=1, max_value=32767)
    terminal = fields.Choice(choices=Output.Terminal.choices)

    across = {"id": ()}


class OutputViewSet(BulkMixin, SubjectLoadMixin, PlacedMixin, RecordViewSet):
    """Analog audio outputs. A new device brings those of its model with it."""

    kind = SubjectKind.OUTPUT
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
