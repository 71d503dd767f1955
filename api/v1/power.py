"""DC supplies, which feed self-amplified speakers, and amplifiers, which drive constant-voltage and
low-impedance lines."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.viewsets import RecordViewSet
from api.conventions.writing import Writing
from sites.access.gates import amplifier_for, supply_for
from sites.models import Amplifier, AmplifierFacts, Supply, SupplyFacts
from sites.services.power import (
    amplifier_add,
    amplifier_alter,
    amplifier_correct,
    amplifier_end,
    supply_add,
    supply_alter,
    supply_correct,
    supply_end,
)
from zones.electrical.subjects import SubjectKind

from .catalogue import DeviceModelSerializer
from .closets import ClosetSerializer
from .dated import DatedMixin, DatedSerializer, NamedDatedFilterSet
from .loads import SubjectLoadMixin
from .sites import SiteSerializer


class SupplySerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer, "model": DeviceModelSerializer}

    class Meta:
        model = Supply
        facts = SupplyFacts


class SupplyFilterSet(NamedDatedFilterSet):
    model_id = fields.Id()
    battery_before = fields.Day(
        source="battery_installed_on__lt", help_text="Those whose battery was installed before this day."
    )

    across = {"name": ("name",), "site": (), "id": ("name",), "battery": ("battery_before",)}


class SupplyViewSet(BulkMixin, SubjectLoadMixin, DatedMixin, RecordViewSet):
    """DC supplies, with the outlet, breaker, UPS and battery behind them."""

    kind = SubjectKind.SUPPLY
    gate = supply_for
    serializer_class = SupplySerializer
    filterset_class = SupplyFilterSet
    ordering_fields = {"name": "name", "site": "site__name", "battery": "battery_installed_on", "id": "id"}
    bodies = {
        "create": Writing(supply_add, within=("closet",)),
        "partial_update": Writing(supply_alter, subject="supply", partial=True),
        "destroy": Writing(supply_end, subject="supply"),
        "correct": Writing(supply_correct, subject="supply", partial=True),
    }


class AmplifierSerializer(DatedSerializer):
    expansions = {"site": SiteSerializer, "closet": ClosetSerializer, "model": DeviceModelSerializer}

    class Meta:
        model = Amplifier
        facts = AmplifierFacts


class AmplifierFilterSet(NamedDatedFilterSet):
    model_id = fields.Id()
    line_voltage_from_v = fields.Number(
        source="line_voltage_v__gte",
        help_text="Those that drive a line of this voltage or more [V]; 70 finds lines that can shock.",
    )


class AmplifierViewSet(BulkMixin, SubjectLoadMixin, DatedMixin, RecordViewSet):
    """Amplifiers: of constant-voltage lines (25, 70.7 or 100 V) and of low-impedance ones, which have no line
    voltage."""

    kind = SubjectKind.AMPLIFIER
    gate = amplifier_for
    serializer_class = AmplifierSerializer
    filterset_class = AmplifierFilterSet
    bodies = {
        "create": Writing(amplifier_add, within=("closet",)),
        "partial_update": Writing(amplifier_alter, subject="amplifier", partial=True),
        "destroy": Writing(amplifier_end, subject="amplifier"),
        "correct": Writing(amplifier_correct, subject="amplifier", partial=True),
    }
