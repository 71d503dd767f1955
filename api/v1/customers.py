"""Customers, the contracts with them, and which contract covers which site."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db import transaction
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.bulk import BulkMixin
from api.conventions.filters import FilterSet
from api.conventions.problems import FORBIDDEN, ProblemError
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import CreateMixin, RecordViewSet, UpdateMixin, Versions
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import Gate, contract_for, customer_for
from sites.access.services import grant_to_maker
from sites.changes.services import Accepted, Change
from sites.models import Contract, Coverage, Customer
from sites.response import agreed_text
from sites.services.customers import (
    contract_add,
    contract_alter,
    coverage_add,
    coverage_alter,
    coverage_remove,
    customer_add,
    customer_alter,
)

from .dated import NO_CASE


class CustomerSerializer(ResourceSerializer):
    class Meta:
        model = Customer


class CustomerFilterSet(FilterSet):
    code = fields.Text()

    leading = frozenset({"code"})
    across = {"name": (), "code": (), "id": ()}


class CustomerViewSet(UpdateMixin):
    """Customers that you are granted."""

    gate = customer_for
    serializer_class = CustomerSerializer
    filterset_class = CustomerFilterSet
    ordering_fields = {"name": "name", "code": "code", "id": "id"}
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(customer_add),
        "partial_update": Writing(customer_alter, subject="customer", partial=True),
    }

    @transaction.atomic
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        """Make a customer; you are granted it. A token of some customers would not see it, so it may not."""
        token = self.principal.token
        if token is not None and token.narrowed:
            raise ProblemError(
                FORBIDDEN, "This token sees the customers it names and no others; a new one it would not see."
            )
        customer = self.perform().result
        grant_to_maker(user=self.principal.user, customer=customer)
        return self.respond(customer, status=201)


class RangeDayField(serializers.DateField):
    """One end of a range of days, which holds from its first day until before its end."""

    def __init__(self, end: str, **kwargs: Any) -> None:
        self.end = end
        super().__init__(source="days", read_only=True, allow_null=True, **kwargs)

    def to_representation(self, value: Any) -> str | None:  # type: ignore[override]
        day: date | None = getattr(value, self.end)
        return None if day is None else day.isoformat()


class CoverageSerializer(ResourceSerializer):
    first_day = RangeDayField("lower")
    end_day = RangeDayField(
        "upper", help_text="The first day not covered any more; null: until further notice."
    )

    class Meta:
        model = Coverage
        exclude = ("days",)


class CoverageFilterSet(FilterSet):
    contract_id = fields.Id()
    site_id = fields.Id()
    on = fields.Day(source="days__contains", help_text="Those in force on this day.")

    across = {"site_id": ("on",), "id": ("on",)}


class CoverageViewSet(BulkMixin, RecordViewSet):
    """Which contract covers which site, from which day to which; at most one contract covers a site at a
    time."""

    gate = Gate(Coverage, "contract")
    serializer_class = CoverageSerializer
    filterset_class = CoverageFilterSet
    ordering_fields = {"id": "id", "site_id": "site_id"}
    ordering = "id"
    write_ability = Ability.ADMIN
    bodies = {
        "create": Writing(coverage_add),
        "partial_update": Writing(coverage_alter, subject="coverage", partial=True),
        "destroy": Writing(coverage_remove, subject="coverage"),
    }

    def versions(self, row: Coverage) -> Versions:
        # The row has no version; only its days can change
        first, end = (0 if day is None else day.toordinal() for day in (row.days.lower, row.days.upper))
        return {"first": first, "end": end}

    def accept(
        self, writing: Writing, change: Change, values: dict[str, Any], row: Any, *, expects: bool = True
    ) -> Accepted[Any]:
        """A PATCH that names one of the days leaves the other as it is."""
        if writing.partial:
            values = {"first_day": row.days.lower, "end_day": row.days.upper} | values
        return super().accept(writing, change, values, row, expects=expects)


class AgreedField(fields.Text):
    """What a contract agrees, in a sentence."""

    def __init__(self) -> None:
        words = "Response hours and their calendar, in a sentence."
        super().__init__(source="*", read_only=True, help_text=words)

    def to_representation(self, value: Contract) -> str:
        return agreed_text(value)


class ContractSerializer(ResourceSerializer):
    response = AgreedField()

    expansions = {"customer": CustomerSerializer, "coverages": CoverageSerializer}

    class Meta:
        model = Contract


CoverageSerializer.expansions = {"contract": ContractSerializer}


class ContractFilterSet(FilterSet):
    customer_id = fields.Id()
    reference = fields.Text(source="reference__iexact", help_text=NO_CASE)

    across = {"reference": ("reference",), "customer": (), "id": ("reference",)}


class ContractViewSet(BulkMixin, CreateMixin, UpdateMixin):
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
