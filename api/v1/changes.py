"""The change record: what was written to which table, as it was before and after, by which change set."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import F, Func, JSONField, Prefetch, QuerySet, Value
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.filters import item_query
from api.conventions.serializers import QuerySerializer, ResourceSerializer
from api.conventions.sizes import MOST_LISTED
from api.conventions.viewsets import ReadOnlyViewSet
from sites.access.gates import Gate
from sites.changes.selectors import change_sets_to_list
from sites.models.changes import Change

from .change_sets import ChangeSetSerializer
from .dated import SiteFilterSet

_DONE = {"insert": "added", "update": "changed", "delete": "removed"}


class DoneField(serializers.ChoiceField):
    def __init__(self) -> None:
        super().__init__(choices=list(_DONE.values()), source="operation", read_only=True)

    def to_representation(self, value: str) -> str:
        return _DONE[value]


class ChangeSerializer(ResourceSerializer):
    table = fields.Text(source="table_name", read_only=True, help_text="What kind of rows: run, point_facts…")
    done = DoneField()

    expansions = {"change_set": ChangeSetSerializer}

    @classmethod
    def with_expansions(cls, rows: QuerySet[Any], expand: Sequence[str]) -> QuerySet[Any]:
        rows = super().with_expansions(rows, [name for name in expand if name != "change_set"])
        whole = Prefetch("change_set", change_sets_to_list())
        return rows.prefetch_related(whole) if "change_set" in expand else rows

    class Meta:
        model = Change
        fields = ("id", "change_set_id", "site_id", "table", "done", "row_count", "at")


class ChangeWithRowsSerializer(ChangeSerializer):
    old_rows = serializers.ListField(
        child=serializers.DictField(),
        max_length=MOST_LISTED,
        read_only=True,
        allow_null=True,
        help_text="As they were before; of many, those from `rows_from` on.",
    )
    new_rows = serializers.ListField(
        child=serializers.DictField(),
        max_length=MOST_LISTED,
        read_only=True,
        allow_null=True,
        help_text="As they were from then on; of many, those from `rows_from` on.",
    )

    class Meta(ChangeSerializer.Meta):
        fields = (*ChangeSerializer.Meta.fields, "old_rows", "new_rows")  # type: ignore[assignment]

    def show_all(self, things: Sequence[Change]) -> list[dict[str, Any]]:
        shown = super().show_all(things)
        # The place of a key is shown on the closet sheet only
        for one in shown:
            for row in (*(one.get("old_rows") or ()), *(one.get("new_rows") or ())):
                row.pop("key_location", None)
        return shown


class RowsQuery(QuerySerializer):
    rows_from = fields.Whole(
        min_value=0,
        max_value=2**31 - 1,
        default=0,
        help_text=f"The first of the rows to show, counted from 0: {MOST_LISTED} are shown from there on.",
    )


class ChangeFilterSet(SiteFilterSet):
    change_set_id = fields.Id()
    table = fields.Text(source="table_name")


class ChangeViewSet(ReadOnlyViewSet):
    """The change record, one row a statement and table: written by the database itself, never altered. The
    rows themselves are with the single change, so many at a time."""

    gate = Gate(Change)
    serializer_class = ChangeSerializer
    filterset_class = ChangeFilterSet
    ordering_fields = {"id": "id"}
    ordering = "-id"
    answers = {"retrieve": ChangeWithRowsSerializer}

    def get_queryset(self) -> QuerySet[Any]:
        # An import writes thousands of rows at once: a list of such changes would be too long to read
        return super().get_queryset().defer("old_rows", "new_rows")

    def item_query(self) -> type[QuerySerializer]:
        return item_query(ChangeWithRowsSerializer, RowsQuery)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG002
        first = self.asked["rows_from"]
        rows = self.get_queryset().annotate(
            some_old=_some("old_rows", first), some_new=_some("new_rows", first)
        )
        row: Any = rows.filter(pk=self.kwargs["id"]).first()
        if row is None:
            row = self.get_object()  # which says why it is not there
        row.old_rows, row.new_rows = row.some_old, row.some_new
        context = self.get_serializer_context()
        return Response(ChangeWithRowsSerializer(row, context=context).data)


def _some(column: str, first: int) -> Func:
    """Some of the rows, chosen by the database: an import wrote thousands in one statement."""
    path = Value(f"$[{first} to {first + MOST_LISTED - 1}]")
    cast = "%(function)s(%(expressions)s::jsonpath)"
    return Func(F(column), path, function="jsonb_path_query_array", template=cast, output_field=JSONField())
