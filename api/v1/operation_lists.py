"""Lists of operations, as drafts hold them: what is wrong with them, and their results."""

from __future__ import annotations

from typing import Any, Final

from django.db.models import Model
from drf_spectacular.extensions import OpenApiSerializerFieldExtension
from drf_spectacular.plumbing import ResolvedComponent
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import fields
from api.conventions.views import ApiView, Spec
from sites.access.abilities import Ability
from sites.changes.errors import ChangeRefused, Problem
from sites.changes.operations import Use, as_called_now, operations, read_operations
from sites.changes.parameters import LONGEST_LABEL
from sites.changes.selectors import SENT_OPERATIONS
from sites.changes.services import SITE_ADD, Accepted
from sites.models.changes import MOST_OPERATIONS, REWROTE

_KEPT_OPERATION: Final = {
    "type": "object",
    "required": ["op"],
    "properties": {
        "op": {"type": "string", "maxLength": 60},
        "label": {"type": "string", "maxLength": LONGEST_LABEL},
    },
    "description": "As it was sent; `GET /operations` says what each takes.",
}


MAY_REVISE: Final = "may_revise"
"""In the context of a serializer: whether its drafts are shown whole, as they are sent back by who revises
them."""


class OperationList(fields.Worded):
    """Operations as JSON. `operation_problems` checks them, each by its own parameters."""

    def to_internal_value(self, data: Any) -> Any:
        return data

    def get_attribute(self, instance: Any) -> Any:
        bodies = getattr(instance, SENT_OPERATIONS, None)
        bodies = instance.operations if bodies is None else bodies
        if instance.recorded_at is None and self.context.get(MAY_REVISE):
            return bodies
        # A key's place is kept as closely as a code: the closet sheet shows it, and nothing else
        return [{name: part for name, part in body.items() if name != "key_location"} for body in bodies]

    def to_representation(self, value: Any) -> Any:
        # As they were sent, without the versions they build on; what an import keeps is nobody's operation
        return [
            {name: part for name, part in as_called_now(body).items() if name != "expects"}
            for body in value
            if body["op"] != REWROTE
        ]


class OperationListSchema(OpenApiSerializerFieldExtension):
    """A draft's operations in the schema: one of the operations, by its ``op``."""

    target_class = OperationList

    def map_serializer_field(self, auto_schema: Any, direction: Any) -> dict[str, Any]:
        if direction == "response":  # an accepted one may hold what a draft of a site does not
            return {"type": "array", "items": _KEPT_OPERATION, "maxItems": MOST_OPERATIONS}
        refs = {}
        for one in operations():
            if one.name not in _not_of_one_site():
                words = one.name.replace(".", "_").split("_")
                component = ResolvedComponent(
                    name="".join(word.capitalize() for word in words) + "Operation",
                    type=ResolvedComponent.SCHEMA,
                    schema=one.schema,
                    object=one,
                )
                auto_schema.registry.register_on_missing(component)
                refs[one.name] = component.ref["$ref"]
        return {
            "type": "array",
            "minItems": 1,
            "maxItems": MOST_OPERATIONS,
            "items": {
                "oneOf": [{"$ref": ref} for ref in refs.values()],
                "discriminator": {"propertyName": "op", "mapping": refs},
            },
        }


def operation_problems(bodies: Any) -> list[Problem]:
    """All that is wrong with the operations of a draft of one site, before they are applied."""
    if bodies == []:
        return [Problem("Name at least one operation.", "empty", "/operations")]
    named = bodies[:MOST_OPERATIONS] if isinstance(bodies, list) else []
    problems = [
        Problem(f"{body['op']} does not belong to one site, as a draft does.", "of_no_site", "/op", index)
        for index, body in enumerate(named)
        if isinstance(body, dict) and body.get("op") in _not_of_one_site()
    ]
    if not problems:
        try:
            read_operations(bodies)
        except ChangeRefused as refused:
            problems += refused.problems
    return problems


# --- results ------------------------------------------------------------------------------------------------


class ResultSerializer(serializers.Serializer):
    """What one operation made or changed."""

    op = fields.Text()
    label = fields.Text(allow_blank=True, help_text="As the draft has it.")  # type: ignore[assignment]
    kind = fields.Text(allow_null=True, help_text="What kind of thing, as in `point` or `supply`.")
    ids = serializers.ListField(child=fields.Id(), help_text="One for most operations.")


def results_data(accepted: Accepted[Any]) -> list[dict[str, Any]]:
    """One entry an operation, in order."""
    found = []
    for body, result in zip(accepted.change_set.operations, accepted.results, strict=True):
        made: list[Model] = result if isinstance(result, list) else [result]
        found.append(
            {
                "op": body["op"],
                "label": body.get("label", ""),
                "kind": str(made[0]._meta.verbose_name).replace(" ", "_") if made else None,
                "ids": [row.pk for row in made],
            }
        )
    return found


# --- all operations -----------------------------------------------------------------------------------------


class OperationSerializer(serializers.Serializer):
    name = fields.Text(help_text="The value of `op`.")
    sentence = fields.Text(help_text="What it means.")
    use = fields.Choice(
        choices=[use.value for use in Use],
        source="use.value",
        help_text="work: something was done on site; correction: the record was wrong; any: nothing dated, "
        "fits both. Work and corrections cannot stand in one change set.",
    )
    schema = serializers.JSONField(help_text="JSON Schema (2020-12) of the operation as a draft holds it.")


class OperationsSerializer(serializers.Serializer):
    items = OperationSerializer(many=True)


class OperationListView(ApiView):
    """The operations that a draft of a site can consist of: what each means, and what it takes."""

    specs = {"get": Spec(Ability.READ_RECORD, answer=OperationsSerializer)}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        left_out = _not_of_one_site()
        items = [one for one in operations() if one.name not in left_out]
        return Response(OperationsSerializer({"items": items}).data)


def _not_of_one_site() -> list[str]:
    return [one.name for one in operations() if one.shared or one.name == SITE_ADD]
