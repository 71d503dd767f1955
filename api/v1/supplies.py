"""DC supplies: the separate sources that feed self-amplified speakers."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.viewsets import RecordViewSet, change_action
from api.conventions.writing import Writing
from sites.access.gates import supply_for
from sites.models import Supply, SupplyFacts
from sites.services.power import supply_add, supply_alter, supply_correct, supply_end

from .closets import ClosetSerializer
from .dated import DatedMixin, DatedSerializer, NamedDatedFilterSet
from .device_models import DeviceModelSerializer
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


class SupplyViewSet(DatedMixin, RecordViewSet):
    """DC supplies, with the outlet, breaker, UPS and battery behind them."""

    gate = supply_for
    serializer_class = SupplySerializer
    filterset_class = SupplyFilterSet
    ordering_fields = {"name": "name", "site": "site__name", "battery": "battery_installed_on", "id": "id"}
    bodies = {
        "create": Writing(supply_add, within=("closet",)),
        "partial_update": Writing(supply_alter, subject="supply", partial=True),
        "destroy": Writing(supply_end, subject="supply"),
    }
    correct = change_action(
        "correct",
        Writing(supply_correct, subject="supply", partial=True),
        "The model recorded for a DC supply was wrong.",
    )
