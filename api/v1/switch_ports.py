"""Ports of switches: their priority, and what else than our devices is connected to them."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import UpdateMixin, change_action
from api.conventions.writing import Writing
from sites.access.gates import switch_port_for
from sites.models import SwitchPort, SwitchPortFacts
from sites.services.switches import port_alter, port_correct

from .dated import DatedFilterSet, DatedMixin, DatedSerializer
from .sites import SiteSerializer
from .switches import SwitchSerializer


class SwitchPortSerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "switch": SwitchSerializer}

    class Meta:
        model = SwitchPort
        facts = SwitchPortFacts


class SwitchPortFilterSet(DatedFilterSet):
    switch_id = fields.Id()
    closet_id = fields.Id(source="switch__closet_id", help_text="Ports of the switches in this closet.")
    number = fields.Whole(min_value=0, max_value=32767)
    priority = fields.Choice(choices=SwitchPortFacts.Priority.choices)


class SwitchPortViewSet(DatedMixin, UpdateMixin):
    """Ports of switches. They come and go with their switch and its model; which of our devices is connected
    to one is said by the device (`endpoints?port_id=`)."""

    gate = switch_port_for
    serializer_class = SwitchPortSerializer
    filterset_class = SwitchPortFilterSet
    ordering_fields = {"number": "number", "switch": "switch__name", "id": "id"}
    ordering = "number"
    bodies = {"partial_update": Writing(port_alter, subject="port", partial=True)}
    correct = change_action(
        "correct",
        Writing(port_correct, subject="port", partial=True),
        "What is recorded of a port was wrong.",
    )
