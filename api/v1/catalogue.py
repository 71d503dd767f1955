"""The catalogue, which belongs to no customer: device models with their ratings, and types of cable."""

from __future__ import annotations

from typing import Any

from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import cable_type_for, device_model_for
from sites.models import CableType, DeviceModel
from sites.services.catalogue import cable_type_add, cable_type_alter, device_model_add, device_model_alter


class DeviceModelSerializer(ResourceSerializer):
    class Meta:
        model = DeviceModel


class DeviceModelFilterSet(FilterSet):
    kind = fields.Choice(choices=DeviceModel.Kind.choices)
    name = fields.Text()


class CatalogueViewSet(CreateMixin, UpdateMixin):
    """What all customers share: an edit changes figures of every site that uses it, so only who is granted
    all customers may write it."""

    write_ability = Ability.ADMIN

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if request.method not in SAFE_METHODS:
            self.principal.require_all_customers()


class DeviceModelViewSet(BulkMixin, CatalogueViewSet):
    """Device models with their ratings. A rating that is null is unknown; it never counts as zero."""

    gate = device_model_for
    serializer_class = DeviceModelSerializer
    filterset_class = DeviceModelFilterSet
    ordering_fields = {"name": "name", "kind": "kind", "id": "id"}
    bodies = {
        "create": Writing(device_model_add),
        "partial_update": Writing(device_model_alter, subject="device_model", partial=True),
    }


class CableTypeSerializer(ResourceSerializer):
    class Meta:
        model = CableType


class CableTypeFilterSet(FilterSet):
    gauge_awg = fields.Whole(min_value=0, max_value=60)
    name = fields.Text()


class CableTypeViewSet(BulkMixin, CatalogueViewSet):
    """Types of cable. A value that is null is unknown."""

    gate = cable_type_for
    serializer_class = CableTypeSerializer
    filterset_class = CableTypeFilterSet
    ordering_fields = {"name": "name", "gauge_awg": "gauge_awg", "id": "id"}
    bodies = {
        "create": Writing(cable_type_add),
        "partial_update": Writing(cable_type_alter, subject="cable_type", partial=True),
    }
