"""Types of cable: gauge, pairs, rating. They belong to no customer."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import cable_type_for
from sites.models import CableType
from sites.services.catalogue import cable_type_add, cable_type_alter


class CableTypeSerializer(ResourceSerializer):
    class Meta:
        model = CableType


class CableTypeFilterSet(FilterSet):
    gauge_awg = fields.Whole(min_value=0, max_value=60)
    name = fields.Text()


class CableTypeViewSet(CreateMixin, UpdateMixin):
    """Types of cable. A value that is null is unknown."""

    gate = cable_type_for
    serializer_class = CableTypeSerializer
    filterset_class = CableTypeFilterSet
    ordering_fields = {"name": "name", "gauge_awg": "gauge_awg", "id": "id"}
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(cable_type_add),
        "partial_update": Writing(cable_type_alter, subject="cable_type", partial=True),
    }
