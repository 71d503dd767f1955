"""Search over everything that a caller may say."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.answers import AnswerSerializer, shown_by
from api.conventions.filters import Names
from api.conventions.serializers import QuerySerializer
from api.conventions.views import ApiView, Spec
from sites.access.abilities import Ability
from zones.electrical.verdicts import Verdict
from zones.search import KINDS, Found, search


class SearchQuery(QuerySerializer):
    q = fields.Text(
        min_length=2, max_length=200, help_text="Words, in any order; accents and typing errors are ignored."
    )
    kinds = Names(KINDS, required=False, help_text="Only these kinds, with commas between them.")
    page_size = fields.Whole(min_value=1, max_value=100, default=20, help_text="How many results at most.")


class FoundSerializer(AnswerSerializer):
    kind = fields.Choice(choices=KINDS)
    exact = fields.Flag(help_text="Found by what identifies it, or by its whole name.")
    verdict = fields.Choice(
        choices=[verdict.name.lower() for verdict in Verdict],
        allow_null=True,
        help_text="The worst of its open findings; null: none is open.",
    )
    path = fields.Text(help_text="Where it is, below /api/v1/.")

    class Meta:
        dataclass = Found


class ResultsSerializer(serializers.Serializer):
    items = FoundSerializer(many=True)
    nowhere = serializers.ListField(
        child=fields.Text(), help_text="The words of the query that occur nowhere in what one may see."
    )
    next = fields.Text(allow_null=True, help_text="Always null: better words find more than further pages.")


class SearchView(ApiView):
    """Customers, sites, closets, zones, runs, blocks, devices, contacts, points with a place, jobs and
    tickets,
    by what someone says of them: names, misspelt too, page code, address, MAC, serial, job, ticket, telephone
    number. Things named exactly come first, ended ones last."""

    specs = {"get": Spec(Ability.READ_RECORD, query=SearchQuery, answer=ResultsSerializer)}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        asked: Any = self.asked
        found = search(
            asked["q"],
            scope=self.principal.scope,
            kinds=asked.get("kinds", KINDS),
            most=asked["page_size"],
        )
        items = [replace(each, rank=round(each.rank, 3)) for each in found.items]
        answer = {"items": items, "nowhere": found.nowhere, "next": None}
        return Response(shown_by(ResultsSerializer, answer))
