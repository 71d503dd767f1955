"""Contracts: under which sites are maintained, how fast one comes and how often one tests."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import contract_for
from sites.models import Contract
from sites.services.customers import contract_add, contract_alter

from .coverages import CoverageShown
from .customers import CustomerShown


class ContractShown(Representation):
    expansions: ClassVar = {
        "customer": Expansion(CustomerShown, related=("customer",)),
        "coverages": Expansion(CoverageShown, prefetched=("coverages",), many=True),
    }

    class Meta:
        model = Contract
        fields = (
            "id",
            "customer_id",
            "reference",
            "response_hours",
            "test_interval_months",
            "event_when_probable",
            "note",
        )


class ContractFilters(Filters):
    customer_id = fields.Id(required=False)
    reference = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"customer_id": "customer_id", "reference": "reference"}


class Contracts(Listed, Shown, Written):
    """Maintenance contracts."""

    gate = contract_for
    representation = ContractShown
    filters = ContractFilters
    orders = {"reference": Order("reference"), "customer": Order("customer__name"), "id": Order("id")}
    usual_order = "reference"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.ADMIN,
        "partial_update": Ability.ADMIN,
    }
    bodies = {
        "create": Writing(contract_add),
        "partial_update": Writing(contract_alter, subject="contract", partial=True),
    }
