"""Sites: one installation at one address."""

from __future__ import annotations

from datetime import date
from typing import ClassVar

from django.db.models import QuerySet

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import site_for
from sites.models import Site
from sites.services.sites import site_add, site_alter

from .coverages import CoverageShown
from .customers import CustomerShown


class SiteShown(Representation):
    expansions: ClassVar = {
        "customer": Expansion(CustomerShown, related=("customer",)),
        "coverages": Expansion(CoverageShown, prefetched=("coverages",), many=True),
    }

    class Meta:
        model = Site
        fields = (
            "id",
            "customer_id",
            "code",
            "name",
            "address",
            "city",
            "postal_code",
            "time_zone",
            "length_unit",
            "design_temperature_c",
            "surveyed_on",
            "out_of_hours_phone",
            "induction",
            "permits",
            "dangers",
            "note",
        )


def _covered_on(rows: QuerySet[Site], day: date) -> QuerySet[Site]:
    # One contract at a time covers a site (a constraint), so the join repeats no row
    return rows.filter(coverages__days__contains=day)


def _of_contract(rows: QuerySet[Site], contract_id: int) -> QuerySet[Site]:
    # A contract may cover a site again after a gap
    return rows.filter(coverages__contract_id=contract_id).distinct()


class SiteFilters(Filters):
    customer_id = fields.Id(required=False)
    contract_id = fields.Id(required=False, help_text="Sites that this contract covers, did or will.")
    code = fields.Text(required=False)
    city = fields.Text(required=False, help_text="Without regard to capital letters.")
    covered_on = fields.Day(required=False, help_text="Sites under a contract on this day.")

    lookups: ClassVar[dict[str, Lookup]] = {
        "customer_id": "customer_id",
        "contract_id": _of_contract,
        "code": "code",
        "city": "city__iexact",
        "covered_on": _covered_on,
    }


class Sites(Listed, Shown, Written):
    """Sites: one installation at one address each."""

    gate = site_for
    representation = SiteShown
    filters = SiteFilters
    orders = {
        "name": Order("name"),
        "code": Order("code"),
        "city": Order("city"),
        "customer": Order("customer__name"),
        "id": Order("id"),
    }
    usual_order = "name"
    abilities = {
        "list": Ability.READ_INVENTORY,
        "retrieve": Ability.READ_INVENTORY,
        "create": Ability.WRITE_INVENTORY,
        "partial_update": Ability.WRITE_INVENTORY,
    }
    bodies = {
        "create": Writing(site_add),
        "partial_update": Writing(site_alter, partial=True),
    }

    def site_id_of(self, row: Site) -> int:
        return row.pk
