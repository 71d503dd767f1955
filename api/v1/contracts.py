"""Contracts: under which sites are maintained, how fast one comes and how often one tests."""

from __future__ import annotations

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import contract_for
from sites.models import Contract
from sites.services.customers import contract_add, contract_alter

from .coverages import CoverageSerializer
from .customers import CustomerSerializer


class ContractSerializer(ResourceSerializer):
    expansions = {"customer": CustomerSerializer, "coverages": CoverageSerializer}

    class Meta:
        model = Contract


class ContractFilterSet(FilterSet):
    customer_id = fields.Id()
    reference = fields.Text()


class ContractViewSet(CreateMixin, UpdateMixin):
    """Maintenance contracts."""

    gate = contract_for
    serializer_class = ContractSerializer
    filterset_class = ContractFilterSet
    ordering_fields = {"reference": "reference", "customer": "customer__name", "id": "id"}
    ordering = "reference"
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(contract_add),
        "partial_update": Writing(contract_alter, subject="contract", partial=True),
    }
