"""Switches, which feed the networked devices with data and power, and their ports."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet, UpdateMixin
from api.conventions.writing import Writing
from sites.access.gates import switch_for, switch_port_for
from sites.models import Switch, SwitchFacts, SwitchPort, SwitchPortFacts
from sites.services.switches import (
    port_alter,
    port_correct,
    switch_add,
    switch_alter,
    switch_correct,
    switch_end,
)
from zones.electrical.subjects import SubjectKind

from .catalogue import DeviceModelSerializer
from .closets import ClosetSerializer
from .dated import DatedFilterSet, DatedMixin, DatedSerializer, NamedDatedFilterSet
from .loads import SubjectLoadMixin
from .sites import SiteSerializer


class SwitchSerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer, "model": DeviceModelSerializer}

    class Meta:
        model = Switch
        facts = SwitchFacts


class SwitchFilterSet(NamedDatedFilterSet):
    owner = fields.Choice(choices=Switch.Owner.choices)
    serial = fields.Text()
    model_id = fields.Id()

    leading = frozenset({"serial"})


class SwitchViewSet(SubjectLoadMixin, DatedMixin, RecordViewSet):
    """Switches. One of the customer's, or of an unknown owner, is not to be touched. Its ports are made, and
    end, with it and its model."""

    kind = SubjectKind.SWITCH
    gate = switch_for
    serializer_class = SwitchSerializer
    filterset_class = SwitchFilterSet
    bodies = {
        "create": Writing(switch_add, within=("closet",)),
        "partial_update": Writing(switch_alter, subject="switch", partial=True),
        "destroy": Writing(switch_end, subject="switch"),
        "correct": Writing(switch_correct, subject="switch", partial=True),
    }


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

    across = {"id": ()}


class SwitchPortViewSet(SubjectLoadMixin, DatedMixin, UpdateMixin):
    """Ports of switches. They come and go with their switch and its model; which of our devices is connected
    to one is said by the device (`endpoints?port_id=`)."""

    kind = SubjectKind.PORT
    gate = switch_port_for
    serializer_class = SwitchPortSerializer
    filterset_class = SwitchPortFilterSet
    ordering_fields = {"number": "number", "switch": "switch__name", "id": "id"}
    ordering = "number"
    bodies = {
        "partial_update": Writing(port_alter, subject="port", partial=True),
        "correct": Writing(port_correct, subject="port", partial=True),
    }
