"""Customers: whose sites these are."""

from __future__ import annotations

from typing import Any

from django.db import transaction
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import FilterSet
from api.conventions.problems import FORBIDDEN, ProblemError
from api.conventions.serializers import ResourceSerializer
from api.conventions.viewsets import UpdateMixin
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import customer_for
from sites.access.services import grant_to_maker
from sites.models import Customer
from sites.services.customers import customer_add, customer_alter


class CustomerSerializer(ResourceSerializer):
    class Meta:
        model = Customer


class CustomerFilterSet(FilterSet):
    code = fields.Text()


class CustomerViewSet(UpdateMixin):
    """Customers that one is granted."""

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
        """Who makes a customer sees it from then on; a token that sees some customers only would not."""
        token = self.principal.token
        if token is not None and token.narrowed:
            raise ProblemError(
                FORBIDDEN, "This token sees the customers it names and no others; a new one it would not see."
            )
        customer = self.perform().result
        grant_to_maker(user=self.principal.user, customer=customer)
        return self.respond(customer, status=201)
