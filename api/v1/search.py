"""Search over everything that has a name or an address, for someone on the telephone."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.listing import Names
from api.conventions.serializers import Body, Query
from api.conventions.views import Door
from sites.access.abilities import Ability
from zones.search import KINDS, search


class SearchQuery(Query):
    q = fields.Text(
        min_length=2, max_length=200, help_text="Words, in any order; accents and typing errors are forgiven."
    )
    kinds = Names(KINDS, required=False, help_text="Only these kinds, with commas between them.")
    page_size = fields.Whole(min_value=1, max_value=100, default=20, help_text="How many results at most.")


class FoundShown(Body):
    kind = fields.Choice(choices=KINDS)
    id = fields.Id()
    path = fields.Text(help_text="Where it is, below /api/v1/.")
    title = fields.Text()
    where = fields.Text(allow_blank=True)
    customer_id = fields.Id()
    site_id = fields.Id(allow_null=True)
    ended = fields.Flag(help_text="It does not stand any more.")
    rank = fields.Number(help_text="How well it was found, from 0 to 1.")


class ResultsShown(Body):
    items = FoundShown(many=True)
    next = fields.Text(allow_null=True, help_text="Always null: better words find more than further pages.")


class Search(Door):
    """Customers, sites, closets and zones by what someone remembers of their names and addresses, best
    first."""

    abilities = {"get": Ability.READ_INVENTORY}
    queries = {"get": SearchQuery}
    answers = {"get": {200: ResultsShown}}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        asked: Any = self.asked
        found = search(
            asked["q"],
            scope=self.principal.scope,
            kinds=asked.get("kinds", KINDS),
            most=asked["page_size"],
        )
        items = [asdict(each) | {"rank": round(each.rank, 3)} for each in found]
        return Response({"items": items, "next": None})
