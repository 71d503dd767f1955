"""Many things made by one request: `POST /points/bulk`.

A view set opts in with `BulkMixin`. Each item is what its `create` takes, but for the reason, which is said
once: all of them are one change set, of one site. Either all are made or none is, and every place that is
wrong is named with the item that it is in. A thing that refers to another of its kind (a point to the one
before it) may name one of the same request by its label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.db.models import Model, QuerySet
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from sites.changes.operations import Accepted

from . import fields
from .bulk_writing import BulkWriting
from .serializers import ResourceSerializer
from .viewsets import OperationViewSet
from .writing import Writing


def made_serializer(one: type[ResourceSerializer]) -> type[serializers.Serializer]:
    """The serializer of the answer: the things that were made, in the order of the items."""
    name = f"{one.__name__.removesuffix('Serializer')}BulkMadeSerializer"
    return type(
        name,
        (serializers.Serializer,),
        {
            "__doc__": "What one request made, in the order of its items.",
            "change_set_id": fields.Id(help_text="The change set that made them."),
            "items": one(many=True),
            "beside": getattr(one, "beside", {}),
        },
    )


class BulkMixin(OperationViewSet):
    """Adds `POST …/bulk` to a view set that has a `create`."""

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        one = cls.bodies.get("create")
        if isinstance(one, Writing):
            cls.bodies = {**cls.bodies, "bulk": BulkWriting(one)}
            cls.answers = {**cls.answers, "bulk": made_serializer(cls.serializer_class)}

    @action(detail=False, methods=["post"])
    def bulk(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Make many at once: all of them, or none where one is refused. They are one change set."""
        writing = self.spec.body
        assert isinstance(writing, BulkWriting)
        change, calls = writing.read(request.data, self.principal)
        return self.respond_many(self.write(writing, change, calls))

    def respond_many(self, accepted: Accepted[Any]) -> Response:
        """The things that a change set made, each as a list shows it."""
        rows = self._made(accepted.results)
        self.annotate(rows)
        shown = self.shown(rows)
        return self.answered(Response({"change_set_id": accepted.change_set.pk, "items": shown}, status=201))

    def _made(self, results: Sequence[Model | Sequence[Model]]) -> list[Model]:
        """The things that were made, read as a list reads them. An operation may make several, as one that
        lands a pair does."""
        made = [row for result in results for row in ([result] if isinstance(result, Model) else result)]
        rows: QuerySet[Any] = self.get_queryset().select_related(*self.gate.related)
        by_id = rows.in_bulk([row.pk for row in made])
        return [by_id[row.pk] for row in made]
