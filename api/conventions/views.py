"""What all views of the API share: the caller's principal, rate limits, strict queries and bodies.

`ApiView` is one address. Its `specs` say for each method what it needs, takes and answers; permissions,
checks and the schema are made from them, and a method without one is refused. Resources are in `viewsets`."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar, NoReturn

from django.core.exceptions import ImproperlyConfigured
from django.http import QueryDict
from django.utils.cache import patch_vary_headers
from rest_framework import exceptions, serializers
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from sites.access.selectors import Principal, principal_of
from sites.changes.errors import Problem
from sites.models.access import Token, User
from sites.once import reading_once
from sites.wording import listed

from . import idempotency
from .bulk_writing import BulkWriting
from .permissions import Needed
from .places import body_problems, query_problems
from .problems import Kind, invalid
from .serializers import QuerySerializer
from .writing import Writing


@dataclass(frozen=True)
class Spec:
    """What one operation of a view requires, takes and answers. An action of a view set without an ability
    requires that of its writes; one without an answer answers with the thing. One that only `computes`
    writes nothing, with any method. `shown_once`: the field of the answer that holds a secret.
    `problems`: those of its own, beside what every address can answer."""

    ability: Needed = ""
    query: type[QuerySerializer] = QuerySerializer
    body: type[serializers.Serializer] | Writing | BulkWriting | None = None
    answer: Any = None  # a serializer, or a schema
    status: int = 200
    if_match: bool = False
    computes: bool = False
    shown_once: str = ""
    problems: tuple[Kind, ...] = ()

    def writes(self, method: str) -> bool:
        return method.upper() not in SAFE_METHODS and not self.computes


def checked_query(given: QueryDict, query_class: type[QuerySerializer], **context: Any) -> QuerySerializer:
    """The query, valid; every place of it that is wrong is named at once."""
    repeated = [
        Problem(f"{name} is given twice.", "repeated", name)
        for name, values in given.lists()
        if len(values) > 1
    ]
    if repeated:
        raise invalid(repeated, in_query=True)
    query = query_class(data=given.dict(), context=context)
    if not query.is_valid():
        raise invalid(query_problems(query.errors), in_query=True)
    return query


class ApiView(APIView):
    specs: ClassVar[Mapping[str, Spec]] = {}
    rate_limit: Mapping[str, str] = {}
    format_kwarg = None  # everything is JSON
    http_method_names = [method for method in APIView.http_method_names if method != "options"]
    # The view set's action, or the view's method; blank where there is none, so that a 405 follows
    operation: str
    spec: Spec
    query: QuerySerializer
    asked: Mapping[str, Any]

    # --- the caller, and what they may do -------------------------------------------------------------------

    def spec_of(self, operation: str) -> Spec:
        try:
            return self.specs[operation]
        except KeyError:
            raise ImproperlyConfigured(
                f"{self.__class__.__name__}.specs does not say what {operation!r} needs."
            ) from None

    @cached_property
    def principal(self) -> Principal:
        user, token = self.request.user, self.request.auth
        assert isinstance(user, User), "a request without a user has no principal"
        return principal_of(user, token if isinstance(token, Token) else None)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        """The framework's checks, with throttles before permissions, so that a refused request counts too;
        then the query and the idempotency key are checked."""
        request.accepted_renderer, request.accepted_media_type = self.perform_content_negotiation(request)
        method = (request.method or "").lower()
        name = getattr(self, "action", "get" if method == "head" else method) or ""
        self.operation = name if method != "options" and hasattr(self, name) else ""
        if self.operation:
            self.spec = self.spec_of(self.operation)
        self.perform_authentication(request)
        self.check_throttles(request)
        self.check_permissions(request)
        if self.operation:
            self.query = checked_query(self.request.query_params, self.spec.query, view=self)
            self.asked = self.query.validated_data
            key = request.headers.get(idempotency.HEADER)
            if key is not None and method not in ("get", "head"):
                idempotency.check_key(key, computes=self.spec.computes)
                act = idempotency.once(
                    getattr(self, method),
                    key=key,
                    principal=self.principal,
                    renderer_context=self.get_renderer_context(),
                    shown_once=self.spec.shown_once,
                )
                setattr(self, method, act)

    def dispatch(self, request: Any, *args: Any, **kwargs: Any) -> Any:
        with reading_once() if request.method in SAFE_METHODS else nullcontext():
            return super().dispatch(request, *args, **kwargs)

    def http_method_not_allowed(self, request: Any, *args: Any, **kwargs: Any) -> NoReturn:
        method = request.method or ""
        detail = f"{method} is not for this address, which takes {listed(sorted(self.allowed_methods))}."
        raise exceptions.MethodNotAllowed(method, detail=detail)

    def finalize_response(self, request: Request, response: Response, *args: Any, **kwargs: Any) -> Response:
        final = super().finalize_response(request, response, *args, **kwargs)
        for name, value in self.rate_limit.items():
            final.headers[name] = value
        # An answer for one caller may not be cached for others
        final.headers.setdefault("Cache-Control", "private, no-cache")
        patch_vary_headers(final, ["Authorization", "Cookie"])
        return final

    # --- query and body -------------------------------------------------------------------------------------

    def validated_body(self) -> dict[str, Any]:
        """The body's values, checked by the spec's serializer; a PATCH may leave any of its fields out. If
        anything is wrong, every place of it is named at once."""
        body_class = self.spec.body
        assert isinstance(body_class, type), "the body of a change is read by its `Writing`"
        body = body_class(
            data=self.request.data, partial=self.request.method == "PATCH", context={"view": self}
        )
        if not body.is_valid():
            raise invalid(body_problems(body.errors))
        values: dict[str, Any] = body.validated_data
        return values
