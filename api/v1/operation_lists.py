"""Lists of operations, as drafts hold them: what is wrong with them, and what came of them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django.db.models import Model
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.places import pointer
from api.conventions.problems import Place
from api.conventions.serializers import Body
from api.conventions.views import Door
from sites.access.abilities import Ability
from sites.access.scope import scoped
from sites.access.selectors import Principal
from sites.changes.errors import ChangeRefused
from sites.changes.operations import Operation, Use, operations, read_operations
from sites.changes.parameters import Reference
from sites.changes.services import SITE_ADD, Accepted
from sites.models.dated import Recorded

_OPERATION_SCHEMA = {
    "type": "object",
    "required": ["op"],
    "properties": {
        "op": {"type": "string", "description": "Its name."},
        "label": {"type": "string", "description": "Later operations name what this one makes as `@label`."},
    },
    "description": "`GET /operations` says what each takes.",
}


@extend_schema_field({"type": "array", "items": _OPERATION_SCHEMA})
class OperationList(serializers.Field[Any, Any, Any, Any]):
    """Operations as JSON. What is wrong with them is said by `operation_places`, in the terms of each."""

    def to_internal_value(self, data: Any) -> Any:
        return data

    def to_representation(self, value: Any) -> Any:
        return value


def operation_places(bodies: Any, site_id: int | None, principal: Principal) -> list[Place]:
    """All that is wrong with the operations of a draft of a site, as far as it shows before they are applied:
    what each of them takes, and ids of what is not there, or not in scope, which is the same."""
    try:
        read = read_operations(bodies)
    except ChangeRefused as refused:
        return [
            Place(problem.detail, code=problem.code, pointer=problem.pointer) for problem in refused.problems
        ]
    if site_id is None:
        return []
    named: dict[type[Model], dict[int, list[str]]] = defaultdict(lambda: defaultdict(list))
    for index, (_, values) in enumerate(read):
        for where, reference in _references(values):
            if isinstance(reference.named, int):
                named[reference.model][reference.named].append(pointer("operations", index, *where))
    return [place for model, ids in named.items() for place in _not_there(model, ids, site_id, principal)]


def _references(values: Mapping[str, Any]) -> Iterator[tuple[tuple[str | int, ...], Reference]]:
    for name, value in values.items():
        if isinstance(value, Reference):
            yield (name,), value
        elif isinstance(value, list):
            yield from (
                ((name, number), one) for number, one in enumerate(value) if isinstance(one, Reference)
            )


def _not_there(
    model: type[Model], ids: Mapping[int, Iterable[str]], site_id: int, principal: Principal
) -> Iterator[Place]:
    rows = scoped(model, principal.scope).filter(pk__in=list(ids))
    where = ""
    if issubclass(model, Recorded):
        rows, where = rows.filter(site_id=site_id), " on this site"
    there = set(rows.values_list("pk", flat=True))
    for one, pointers in ids.items():
        if one not in there:
            detail = f"There is no {model._meta.verbose_name} {one}{where}."
            yield from (Place(detail, code="not_found", pointer=at) for at in pointers)


# --- what came of them --------------------------------------------------------------------------------------


class ResultShown(Body):
    """One thing that an operation made or changed; an operation on several things has several of these."""

    operation = fields.Whole(help_text="The operation's place in the list, from 0.")
    op = fields.Text()
    label = fields.Text(allow_blank=True, help_text="As the draft has it.")  # type: ignore[assignment]
    kind = fields.Text(help_text="What kind of thing, as in `point` or `supply`.")
    id = fields.Id()


def results_shown(accepted: Accepted[Any]) -> list[dict[str, Any]]:
    return [
        {
            "operation": index,
            "op": body["op"],
            "label": body.get("label", ""),
            "kind": row._meta.db_table,
            "id": row.pk,
        }
        for index, (body, result) in enumerate(
            zip(accepted.change_set.operations, accepted.results, strict=True)
        )
        for row in (result if isinstance(result, list) else [result])
        if isinstance(row, Model)
    ]


# --- what there is ------------------------------------------------------------------------------------------


class OperationShown(Body):
    name = fields.Text(help_text="What stands as `op`.")
    sentence = fields.Text(help_text="What it means.")
    use = fields.Choice(
        choices=[use.value for use in Use],
        help_text="work: something was done on site; correction: the record was wrong; any: nothing dated, fits "
        "both. Work and corrections cannot stand in one change set.",
    )
    schema = serializers.JSONField(help_text="JSON Schema (2020-12) of the operation as a draft holds it.")


class OperationsShown(Body):
    items = OperationShown(many=True)


class Operations(Door):
    """The operations that a draft of a site can consist of: what each means, and what it takes."""

    abilities = {"get": Ability.READ_INVENTORY}
    answers = {"get": {200: OperationsShown}}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        return Response({"items": [_operation(one) for one in operations() if _is_of_one_site(one)]})


def _is_of_one_site(one: Operation[Any, Any]) -> bool:
    return not one.shared and one.name != SITE_ADD


def _operation(one: Operation[Any, Any]) -> dict[str, Any]:
    return {"name": one.name, "sentence": one.sentence, "use": one.use.value, "schema": one.schema}
