"""Amplifiers: what drives constant-voltage and low-impedance lines."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet, change_action
from api.conventions.writing import Writing
from sites.access.gates import amplifier_for
from sites.models import Amplifier, AmplifierFacts
from sites.services.power import amplifier_add, amplifier_alter, amplifier_correct, amplifier_end

from .closets import ClosetSerializer
from .dated import DatedMixin, DatedSerializer, NamedDatedFilterSet
from .device_models import DeviceModelSerializer
from .sites import SiteSerializer


class AmplifierSerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer, "model": DeviceModelSerializer}

    class Meta:
        model = Amplifier
        facts = AmplifierFacts


class AmplifierFilterSet(NamedDatedFilterSet):
    model_id = fields.Id()
    line_voltage_from_v = fields.Number(
        source="line_voltage_v__gte",
        help_text="Those that drive a line of this voltage or more [V]; 70 finds what shocks.",
    )


class AmplifierViewSet(DatedMixin, RecordViewSet):
    """Amplifiers: of constant-voltage lines (25, 70.7 or 100 V) and of low-impedance ones, which have no line
    voltage."""

    gate = amplifier_for
    serializer_class = AmplifierSerializer
    filterset_class = AmplifierFilterSet
    bodies = {
        "create": Writing(amplifier_add, within=("closet",)),
        "partial_update": Writing(amplifier_alter, subject="amplifier", partial=True),
        "destroy": Writing(amplifier_end, subject="amplifier"),
    }
    correct = change_action(
        "correct",
        Writing(amplifier_correct, subject="amplifier", partial=True),
        "What is recorded of an amplifier was wrong.",
    )
