"""Switches, which feed the networked devices with data and power, and their ports."""

from __future__ import annotations

from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.views import Spec
from api.conventions.viewsets import RecordViewSet, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
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
from zones.loads.switch_power import switch_power

from .catalogue import DeviceModelSerializer
from .closets import ClosetSerializer
from .dated import AsOfQuery, DatedFilterSet, DatedMixin, DatedSerializer, NamedDatedFilterSet, day_asked
from .loads import SubjectLoadMixin, zones_seen
from .sites import SiteSerializer
from .switch_power import SwitchPowerSerializer, switch_power_data


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


class SwitchViewSet(BulkMixin, SubjectLoadMixin, DatedMixin, RecordViewSet):
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

    @action(detail=True, action_spec=Spec(Ability.READ_RECORD, query=AsOfQuery, answer=SwitchPowerSerializer))
    def power(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """What the switch allocates to each port on a day, in the order in which ports keep power, and which
        of them are expected to lose it, now and with one power supply lost."""
        switch: Switch = self.get_standing_object()
        day = day_asked(self.asked, switch.site)
        self.require_there(switch, day)
        power = switch_power(switch, day)
        zone_ids = {zone_id for port in power.ports for zone_id in port.zone_ids}
        zones = zones_seen(self.principal.scope, switch.site_id, zone_ids)
        return Response(switch_power_data(switch, power, zones))


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
