"""Customers: whose sites these are."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db import transaction
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.problems import FORBIDDEN, Problem
from api.conventions.representations import Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import customer_for
from sites.access.services import grant_to_maker
from sites.models import Customer
from sites.services.customers import customer_add, customer_alter


class CustomerShown(Representation):
    class Meta:
        model = Customer
        fields = ("id", "code", "name", "note")


class CustomerFilters(Filters):
    code = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"code": "code"}


class Customers(Listed, Shown, Written):
    """Customers that one is granted."""

    gate = customer_for
    representation = CustomerShown
    filters = CustomerFilters
    orders = {"name": Order("name"), "code": Order("code"), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.ADMIN,
        "partial_update": Ability.ADMIN,
    }
    bodies = {
        "create": Writing(customer_add),
        "partial_update": Writing(customer_alter, subject="customer", partial=True),
    }

    @transaction.atomic
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Who makes a customer sees it from then on; a token that sees some customers only would not."""
        principal = self.principal
        if principal.token is not None and principal.token.narrowed:
            raise Problem(
                FORBIDDEN, "This token sees the customers it names and no others; a new one it would not see."
            )
        writing = self.writing()
        accepted = writing.accept(writing.read(request.data, principal), principal=principal, site_id=None)
        grant_to_maker(user=principal.user, customer=accepted.result)
        return self.shown(accepted.result, status=201)
