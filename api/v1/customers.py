"""Customers: whose sites these are."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Representation
from api.conventions.views import Listed, Shown
from sites.access.abilities import Ability
from sites.access.gates import customer_for
from sites.models import Customer


class CustomerShown(Representation):
    class Meta:
        model = Customer
        fields = ("id", "code", "name", "note")


class CustomerFilters(Filters):
    code = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"code": "code"}


class Customers(Listed, Shown):
    """Customers that one is granted."""

    gate = customer_for
    representation = CustomerShown
    filters = CustomerFilters
    orders = {"name": Order("name"), "code": Order("code"), "id": Order("id")}
    usual_order = "name"
    abilities = {"list": Ability.READ_INVENTORY, "retrieve": Ability.READ_INVENTORY}
