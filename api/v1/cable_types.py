"""Types of cable: gauge, pairs, rating. They belong to no customer."""

from __future__ import annotations

from typing import ClassVar

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import cable_type_for
from sites.models import CableType
from sites.services.catalogue import cable_type_add, cable_type_alter


class CableTypeShown(Representation):
    class Meta:
        model = CableType
        fields = ("id", "name", "gauge_awg", "pair_count", "category", "conductor_rating_a", "plenum")


class CableTypeFilters(Filters):
    gauge_awg = fields.Whole(required=False, min_value=0, max_value=60)
    name = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {"gauge_awg": "gauge_awg", "name": "name"}


class CableTypes(Listed, Shown, Written):
    """Types of cable. A value that is null is unknown."""

    gate = cable_type_for
    representation = CableTypeShown
    filters = CableTypeFilters
    orders = {"name": Order("name"), "gauge_awg": Order("gauge_awg", nullable=True), "id": Order("id")}
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.ADMIN,
        "partial_update": Ability.ADMIN,
    }
    bodies = {
        "create": Writing(cable_type_add),
        "partial_update": Writing(cable_type_alter, subject="cable_type", partial=True),
    }
