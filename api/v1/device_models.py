"""Device models: the catalogue entry behind every device, with its ratings. It belongs to no customer."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import device_model_for
from sites.models import DeviceModel
from sites.services.catalogue import device_model_add, device_model_alter


class DeviceModelSerializer(ResourceSerializer):
    class Meta:
        model = DeviceModel


class DeviceModelFilterSet(FilterSet):
    kind = fields.Choice(choices=DeviceModel.Kind.choices)
    name = fields.Text()


class DeviceModelViewSet(CreateMixin, UpdateMixin):
    """Device models with their ratings. A rating that is null is unknown; it never counts as zero."""

    gate = device_model_for
    serializer_class = DeviceModelSerializer
    filterset_class = DeviceModelFilterSet
    ordering_fields = {"name": "name", "kind": "kind", "id": "id"}
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(device_model_add),
        "partial_update": Writing(device_model_alter, subject="device_model", partial=True),
    }
