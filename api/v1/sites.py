"""Sites: one installation at one address."""

from __future__ import annotations

from datetime import date
from typing import ClassVar

from django.db.models import QuerySet
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Filters, Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Listed, Shown, Written
from api.conventions.writing import Writing
from sites.access.abilities import Ability
from sites.access.gates import site_for
from sites.changes.services import today_at
from sites.models import Site
from sites.services.sites import site_add, site_alter
from zones.visits.survey import site_survey

from .coverages import CoverageShown
from .customers import CustomerShown
from .surveys import SurveyQuery, SurveyShown, survey_shown


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
        "survey": Ability.READ_INVENTORY,
    }
    bodies = {
        "create": Writing(site_add),
        "partial_update": Writing(site_alter, partial=True),
    }
    queries = {"survey": SurveyQuery}
    answers = {"survey": {200: SurveyShown}}

    @action(detail=True, methods=["get"])
    def survey(self, request: Request, id: int) -> Response:  # noqa: A002, ARG002 - it is the id of an address
        """What the record of the site leaves open on a day: the figures that cannot be judged, and the values
        that are missing for it."""
        site: Site = self.row()
        return Response(
            survey_shown(site, site_survey(site.pk, self.asked.get("as_of") or today_at(site.pk)))
        )

    def site_id_of(self, row: Site) -> int:
        return row.pk
