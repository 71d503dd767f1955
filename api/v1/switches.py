"""Switches: what feeds the networked devices with data and power."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet, change_action
from api.conventions.writing import Writing
from sites.access.gates import switch_for
from sites.models import Switch, SwitchFacts
from sites.services.switches import switch_add, switch_alter, switch_correct, switch_end

from .closets import ClosetSerializer
from .dated import DatedMixin, DatedSerializer, NamedDatedFilterSet
from .device_models import DeviceModelSerializer
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


class SwitchViewSet(DatedMixin, RecordViewSet):
    """Switches. One of the customer's, or of an unknown owner, is not to be touched. Its ports are made, and
    end, with it and its model."""

    gate = switch_for
    serializer_class = SwitchSerializer
    filterset_class = SwitchFilterSet
    bodies = {
        "create": Writing(switch_add, within=("closet",)),
        "partial_update": Writing(switch_alter, subject="switch", partial=True),
        "destroy": Writing(switch_end, subject="switch"),
    }
    correct = change_action(
        "correct",
        Writing(switch_correct, subject="switch", partial=True),
        "What is recorded of a switch was wrong.",
    )
