"""The change record: what was written to which table, as it was before and after, by which change set."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.cursors import Order
from api.conventions.listing import Lookup
from api.conventions.representations import Expansion, Representation
from api.conventions.views import Listed, Shown
from sites.access.abilities import Ability
from sites.access.gates import Gate
from sites.changes.models import Change

from .change_sets import ChangeSetShown
from .placed import SiteFilters

_DONE = {"insert": "added", "update": "changed", "delete": "removed"}


class DoneShown(serializers.ChoiceField):
    def __init__(self) -> None:
        super().__init__(choices=list(_DONE.values()), source="operation", read_only=True)

    def to_representation(self, value: str) -> str:
        return _DONE[value]


class ChangeShown(Representation):
    table = fields.Text(source="table_name", read_only=True, help_text="What kind of rows: run, point_facts…")
    done = DoneShown()

    expansions: ClassVar = {"change_set": Expansion(ChangeSetShown, related=("change_set",))}

    class Meta:
        model = Change
        fields = ("id", "change_set_id", "site_id", "table", "done", "row_count", "at")


class ChangeWithRowsShown(ChangeShown):
    old_rows = serializers.ListField(
        child=serializers.DictField(), read_only=True, allow_null=True, help_text="As they were before."
    )
    new_rows = serializers.ListField(
        child=serializers.DictField(), read_only=True, allow_null=True, help_text="As they were from then on."
    )

    class Meta(ChangeShown.Meta):
        fields = (*ChangeShown.Meta.fields, "old_rows", "new_rows")  # type: ignore[assignment]


class ChangeFilters(SiteFilters):
    change_set_id = fields.Id(required=False)
    table = fields.Text(required=False)

    lookups: ClassVar[dict[str, Lookup]] = {
        **SiteFilters.lookups,
        "change_set_id": "change_set_id",
        "table": "table_name",
    }


class Changes(Listed, Shown):
    """The change record, one row a statement and table: written by the database itself, never altered. The
    rows themselves are with the single change."""

    gate = Gate(Change)
    representation = ChangeShown
    filters = ChangeFilters
    orders = {"id": Order("id")}
    usual_order = "-id"
    abilities = {"list": Ability.READ_INVENTORY, "retrieve": Ability.READ_INVENTORY}
    answers = {"retrieve": {200: ChangeWithRowsShown}}

    def rows(self) -> QuerySet[Any]:
        # An import writes thousands of rows at once: a list of such changes would be read by nobody
        return super().rows().defer("old_rows", "new_rows")

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        asked = {"fields": self.asked.get("fields"), "expand": self.asked.get("expand", ())}
        return Response(ChangeWithRowsShown(self.row(), context=asked).data)
