"""The OpenAPI 3.1 description, made from what the views declare (`Spec` in `api.conventions.views`): queries,
bodies, answers, abilities; with the problems and headers that all addresses share."""

from __future__ import annotations

from functools import cache
from typing import Any, Final

from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import ResolvedComponent
from drf_spectacular.utils import Direction, OpenApiParameter
from rest_framework.request import Request
from rest_framework.serializers import BaseSerializer

from sites.access.abilities import TOKEN_SCOPES, Ability
from sites.changes.errors import MOST_NAMED

from . import idempotency, problems
from .answers import AnswerSerializer
from .bulk_writing import BulkWriting
from .filters import Names
from .permissions import PUBLIC
from .serializers import ResourceSerializer
from .sizes import LEFT_OUT_HELP, LeftOutSerializer
from .summaries import summary_of
from .views import ApiView, Spec
from .viewsets import ReadOnlyViewSet
from .writing import WHY_SCHEMA, Writing

_ALWAYS: Final = (problems.BAD_REQUEST, problems.NOT_ACCEPTABLE, problems.INTERNAL, problems.UNAVAILABLE)
_WITH_LOG_IN: Final = (problems.NOT_AUTHENTICATED, problems.FORBIDDEN, problems.RATE_LIMITED)
_WITH_BODY: Final = (
    problems.CONFLICT,
    problems.TOO_LARGE,
    problems.UNSUPPORTED_MEDIA_TYPE,
    problems.UNPROCESSABLE,
)
_WITH_KEY: Final = (problems.CONFLICT, problems.UNPROCESSABLE)
"""Their statuses are also those of a key that is in use (`in_progress`) or was used (`key_reused`)."""
_WITH_VERSION: Final = (problems.STALE_VERSION, problems.PRECONDITION_REQUIRED)


class Schema(AutoSchema):
    """One operation, as its view declares it."""

    view: ApiView  # type: ignore[override]

    @property
    def operation(self) -> str:
        return getattr(self.view, "action", None) or self.method.lower()

    @property
    def spec(self) -> Spec:
        return self.view.spec_of(self.operation)

    @property
    def is_public(self) -> bool:
        return self.spec.ability == PUBLIC

    def _is_list_view(self, serializer: Any = None) -> bool:  # noqa: ARG002 - the library's signature
        return self.operation == "list"

    def get_operation_id(self) -> str:
        named = f"by_{self.path.rpartition('{')[2].rstrip('}')}" if self.path.endswith("}") else ""
        of_a_resource = isinstance(self.view, ReadOnlyViewSet)
        words = [word.replace("-", "_") for word in self._tokenize_path()]
        if words[-1:] != [self.operation]:  # of an action, the path may say it already
            words.append(self.operation)
        return "_".join([*words, *([] if of_a_resource or not named else [named])])

    def get_auth(self) -> list[dict[str, Any]]:
        if self.is_public:
            return []
        schemes: list[dict[str, Any]] = super().get_auth()
        of_people = isinstance(self.spec.ability, Ability) and self.spec.ability not in TOKEN_SCOPES
        return [scheme for scheme in schemes if "bearer" not in scheme] if of_people else schemes

    def get_extensions(self) -> dict[str, Any]:
        return {} if self.is_public else {"x-ability": str(self.spec.ability)}

    def get_override_parameters(self) -> list[Any]:
        query = self.spec.query
        taken = query().fields
        found: list[Any] = [query] if taken else []
        found += [_parameter(name, field) for name, field in taken.items() if isinstance(field, Names)]
        if self.spec.if_match:
            found.append(
                OpenApiParameter(
                    "If-Match",
                    str,
                    OpenApiParameter.HEADER,
                    required=True,
                    description="The `ETag` of the version to change.",
                )
            )
        if self.spec.writes(self.method):
            found.append(_KEY)
        return found

    def _get_request_body(self, direction: Direction = "request") -> dict[str, Any] | None:
        body = self.spec.body
        if body is None:
            return None
        if isinstance(body, Writing | BulkWriting):
            reference = self._component(body.name, body.schema)
            if isinstance(body, BulkWriting):
                self._component(body.item_name, body.item_schema)
        else:
            reference = self.resolve_serializer(body, direction).ref
        return {"content": {"application/json": {"schema": reference}}, "required": True}

    def _component(self, name: str, schema: dict[str, Any]) -> dict[str, Any]:
        """The body of an operation of the record; why it is done is among `common_components`."""
        component = ResolvedComponent(name=name, type=ResolvedComponent.SCHEMA, object=name, schema=schema)
        self.registry.register_on_missing(component)
        return component.ref

    def get_response_serializers(self) -> Any:
        return {self.spec.status: self.spec.answer}

    def get_paginated_name(self, serializer_name: str) -> str:
        return f"{serializer_name}List"

    def _postprocess_serializer_schema(
        self, schema: dict[str, Any], serializer: BaseSerializer, direction: Direction
    ) -> dict[str, Any]:
        schema = super()._postprocess_serializer_schema(  # type: ignore[no-untyped-call]
            schema, serializer, direction
        )
        if type(serializer).__doc__ is None:
            schema.pop("description", None)  # that of the base class
        if isinstance(serializer, ResourceSerializer):
            # `fields` can leave out any other, and `expand` adds these
            schema["required"] = ["id"]
            for name, expansion in serializer.expansions.items():
                item = self.resolve_serializer(expansion, direction).ref
                one = {"anyOf": [item, {"type": "null"}]} if serializer.may_be_null(name) else item
                many = serializer.expands_to_many(name)
                schema["properties"][name] = {"type": "array", "items": item} if many else one
                if many:
                    ended = self.resolve_serializer(LeftOutSerializer, direction).ref
                    schema["properties"]["left_out"] = {
                        "type": "array",
                        "items": ended,
                        "readOnly": True,
                        "description": LEFT_OUT_HELP,
                    }
        elif schema.get("type") == "object":
            schema["additionalProperties"] = False
        for name, addition in getattr(serializer, "beside", {}).items():
            schema["properties"][name] = self.resolve_serializer(addition, direction).ref
        if isinstance(serializer, AnswerSerializer) and type(serializer) is AnswerSerializer:
            schema["description"] = serializer.description()
        for value in schema.get("properties", {}).values():
            if {"type": "string", "maxLength": 0} in value.get("oneOf", ()):
                # A validator without formats takes a blank text for both, which `oneOf` forbids
                value["anyOf"] = value.pop("oneOf")
        return schema

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        operation: dict[str, Any] | None = super().get_operation(*args, **kwargs)
        if operation is None:
            return None
        responses = operation["responses"]
        for status, answer in responses.items():
            answer["headers"] = {**answer.get("headers", {}), **self._headers(status)}
        for kind in self._problems(operation):
            responses.setdefault(str(kind.status), {"$ref": f"#/components/responses/{_response_name(kind)}"})
        operation["responses"] = dict(sorted(responses.items()))
        operation["summary"] = summary_of(self.view, self.operation, self.spec)
        operation.setdefault("security", [])  # of nothing: public
        return operation

    def _headers(self, status: str) -> dict[str, Any]:
        names = ["X-Request-ID"] if self.is_public else ["X-Request-ID", "RateLimit", "RateLimit-Policy"]
        view = self.view
        of_a_thing = isinstance(view, ReadOnlyViewSet) and self.spec.answer is view.serializer_class
        if of_a_thing and self.operation != "list":
            names += ["ETag", "Location"] if status == "201" else ["ETag"]
        if self.spec.writes(self.method):
            names.append(idempotency.REPLAYED)
        if self.spec.shown_once:
            names.append(idempotency.WITHHELD)
        return {name: {"$ref": f"#/components/headers/{name}"} for name in names}

    def _problems(self, operation: dict[str, Any]) -> list[problems.Kind]:
        found = [*_ALWAYS, *self.spec.problems]
        if not self.is_public:
            found += _WITH_LOG_IN
        if "{" in self.path:
            found.append(problems.NOT_FOUND)
        if "requestBody" in operation:
            found += _WITH_BODY
        if self.spec.writes(self.method):
            found += _WITH_KEY
        if self.spec.if_match:
            found += _WITH_VERSION
        return found


_KEY: Final = OpenApiParameter(
    idempotency.HEADER,
    {"type": "string", "pattern": "^[!-~]+$", "minLength": 1, "maxLength": idempotency.LONGEST_KEY},
    OpenApiParameter.HEADER,
    description=(
        "Yours for this one request, such as a new UUID. Sent again with the same key within 24 hours, the "
        "request is not done twice: the kept answer is given again. Another body, query, address or "
        "`If-Match` with the same key is a 422 (`key_reused`); a request that is still at work, a 409 "
        "(`in_progress`)."
    ),
)


def _parameter(name: str, field: Names) -> OpenApiParameter:
    return OpenApiParameter(
        name,
        {
            "type": "array",
            "items": {"type": "string", "enum": list(field.allowed)},
            "minItems": 1,
            "maxItems": len(field.allowed),
        },
        OpenApiParameter.QUERY,
        description=str(field.help_text),
        style="form",
        explode=False,
    )


def _response_name(kind: problems.Kind) -> str:
    return kind.code.title().replace("_", "")


def without_unused_responses(
    result: dict[str, Any],
    generator: SchemaGenerator,  # noqa: ARG001 - the signature of a hook
    request: Request | None,  # noqa: ARG001
    public: bool,  # noqa: ARG001
) -> dict[str, Any]:
    """A hook: leaves out the responses that no operation refers to. Of kinds of problems that share a status
    one stands for all; `GET /api/v1/problems` has every kind."""
    used = {
        answer["$ref"]
        for operations in result["paths"].values()
        for operation in operations.values()
        for answer in operation["responses"].values()
        if "$ref" in answer
    }
    there = result["components"]["responses"]
    result["components"]["responses"] = {
        name: response for name, response in there.items() if f"#/components/responses/{name}" in used
    }
    return result


def common_components(
    result: dict[str, Any],
    generator: SchemaGenerator,  # noqa: ARG001 - the signature of a hook
    request: Request | None,  # noqa: ARG001
    public: bool,  # noqa: ARG001
) -> dict[str, Any]:
    """A hook: adds what operations refer to: `Why`, the problem, its responses, and the headers."""
    components = result["components"]
    components["schemas"] |= {"Problem": _PROBLEM, "Why": WHY_SCHEMA}
    components["headers"] = {
        name: {"description": text, "schema": {"type": "string"}} for name, text in _HEADERS.items()
    }
    components["responses"] = {
        _response_name(kind): {
            "description": f"{kind.title}. {kind.advice}",
            "headers": {"X-Request-ID": {"$ref": "#/components/headers/X-Request-ID"}},
            "content": {problems.CONTENT_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        }
        for kind in problems.KINDS.values()
    }
    return result


_PLACE: Final = {
    "type": "object",
    "required": ["code", "detail"],
    "properties": {
        "pointer": {"type": "string", "description": "Where in the body: a JSON pointer (RFC 6901)."},
        "parameter": {"type": "string", "description": "Which query parameter."},
        "code": {"type": "string"},
        "detail": {
            "type": "string",
            "maxLength": problems.LONGEST_DETAIL,
            "description": "What is wrong, and what would be right.",
        },
    },
}
_PROBLEM: Final = {
    "type": "object",
    "description": "Problem details (RFC 9457).",
    "required": [
        "type",
        "title",
        "status",
        "detail",
        "instance",
        "code",
        "request_id",
        "errors",
        "more_errors",
    ],
    "properties": {
        "type": {"type": "string", "description": "Where this kind of problem is described."},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "instance": {"type": "string", "description": "The path that was asked for."},
        "code": {"type": "string", "description": "The kind of problem, for programs."},
        "request_id": {"type": "string"},
        "errors": {"type": "array", "items": _PLACE, "maxItems": MOST_NAMED},
        "more_errors": {
            "type": "integer",
            "minimum": 0,
            "description": "How many things are wrong beside those in `errors`.",
        },
    },
}
_HEADERS: Final = {
    "X-Request-ID": "The id of this request in our logs: the one that was sent, or a new one.",
    "ETag": "The version of the row that people edit.",
    "Location": "Where the new thing is.",
    idempotency.REPLAYED: "`true`: the kept answer to an earlier request with this `Idempotency-Key`.",
    idempotency.WITHHELD: (
        "The field that is null in an answer that is given again: a secret is shown once, and never kept."
    ),
    "RateLimit": "What is left (`r`) and in how many seconds a new window begins (`t`).",
    "RateLimit-Policy": "How many requests (`q`) in how many seconds (`w`).",
}


@cache
def description() -> dict[str, Any]:
    """The whole description; it is the same for everyone and changes only with the code."""
    made: dict[str, Any] = SchemaGenerator().get_schema(request=None, public=True)
    return made
