"""The API's own description, and the kinds of problems it answers with; both public."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Final

from drf_spectacular.views import SpectacularSwaggerSplitView
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions import problems
from api.conventions.permissions import PUBLIC
from api.conventions.schema import description
from api.conventions.views import ApiView, Spec

_OBJECT: Final = Spec(PUBLIC, answer={"type": "object"})


class SchemaView(ApiView):
    """The OpenAPI 3.1 description of this API."""

    specs = {"get": _OBJECT}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        return Response(description())


class ProblemListView(ApiView):
    """Every kind of problem that this API answers with."""

    specs = {"get": _OBJECT}

    def get(self, request: Request) -> Response:  # noqa: ARG002
        return Response({"items": [_kind(kind) for kind in problems.KINDS.values()]})


class ProblemView(ApiView):
    """One kind of problem: what it means, and what to do."""

    specs = {"get": _OBJECT}

    def get(self, request: Request, code: str) -> Response:  # noqa: ARG002
        if code not in problems.KINDS:
            raise problems.ProblemError(problems.NOT_FOUND, "There is no such kind of problem.")
        return Response(_kind(problems.KINDS[code]))


def _kind(kind: problems.Kind) -> dict[str, Any]:
    return {"type": kind.type, **asdict(kind)}


class ReferencePage(SpectacularSwaggerSplitView):
    """The same description as a page to browse and try, from our own files."""

    template_name = "pages/reference.html"

    url_name = "schema"
    url_self = None
    authentication_classes = ()
    permission_classes = ()
    throttle_classes = ()
