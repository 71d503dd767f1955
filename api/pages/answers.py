"""What the API answers, for a page: the same view, asked within this process by the person who looks. So a
page can show nothing that the API would not, and judges nothing itself. What a form writes goes the same
way."""

from __future__ import annotations

import functools
import io
import json
from collections.abc import Mapping
from contextlib import nullcontext
from typing import Any, Final, NamedTuple
from urllib.parse import urlencode

from django.http import HttpRequest, QueryDict
from django.urls import ResolverMatch, resolve
from rest_framework.response import Response

from api.conventions.problems import KINDS, ProblemError
from sites.changes.errors import Problem
from sites.once import reading_again

from .days import with_days_written

BELOW: Final = "/api/v1/"
# Headers of a program's request. A page authenticates by the cookie alone, and writes from its form
_NOT_PASSED_ON: Final = frozenset(
    {
        "HTTP_AUTHORIZATION",
        "HTTP_ACCEPT",
        "QUERY_STRING",
        "CONTENT_TYPE",
        "CONTENT_LENGTH",
        "HTTP_IF_MATCH",
        "HTTP_IDEMPOTENCY_KEY",
    }
)


class Versioned(NamedTuple):
    """A thing as the API answers it. version: its entity tag, which a change of it names."""

    data: Any
    version: str


def answer_of(request: HttpRequest, path: str, **query: Any) -> Any:
    """The data of ``GET /api/v1/{path}``; what is None is left out of the query. Any problem is raised
    as it is, absent and forbidden alike: a 404 says since when, or until when, a thing stood."""
    return with_days_written(_answered(_asked(request, "GET", path, query)).data)


def versioned(request: HttpRequest, path: str) -> Versioned:
    """The data of ``GET /api/v1/{path}`` and its version."""
    response = _answered(_asked(request, "GET", path, {}))
    return Versioned(with_days_written(response.data), response["ETag"])


def computed_by(request: HttpRequest, path: str) -> Any:
    """The data of a ``POST /api/v1/{path}`` that only computes."""
    return with_days_written(_answered(_asked(request, "POST", path, {}, body={})).data)


def change_of(
    request: HttpRequest, method: str, path: str, body: Mapping[str, Any] | None, version: str | None
) -> Any:
    """Write as ``{method} /api/v1/{path}`` does, on what is still of that version (an entity tag); answers
    with the thing as it is then. What is refused is raised, with the place of each wrong value."""
    return _answered(_asked(request, method, path, {}, body=body, version=version)).data


def _answered(asked: HttpRequest) -> Response:
    match = _view_at(asked.path)
    view: Any = match.func
    # The page has been counted as one request, so what it asks is not counted again
    options = {**view.initkwargs, "throttle_classes": []}
    if (principal := getattr(asked, "principal", None)) is not None:
        options["principal"] = principal
    act = (
        view.cls.as_view(view.actions, **options) if hasattr(view, "actions") else view.cls.as_view(**options)
    )
    # What is computed of a draft is written for a moment, and reads what it wrote
    with nullcontext() if asked.method == "GET" else reading_again():
        response: Response = act(asked, *match.args, **match.kwargs)
    if response.status_code >= 400:
        raise _problem(response)
    return response


@functools.lru_cache(maxsize=4096)
def _view_at(path: str) -> ResolverMatch:
    """Kept, since Django tries one route after the other: for a page of eight answers a tenth of its time."""
    return resolve(path)


def _asked(
    request: HttpRequest,
    method: str,
    path: str,
    query: Mapping[str, Any],
    *,
    body: Mapping[str, Any] | None = None,
    version: str | None = None,
) -> HttpRequest:
    asked = HttpRequest()
    asked.method, asked.path, asked.path_info = method, BELOW + path, BELOW + path
    asked.META = {name: value for name, value in request.META.items() if name not in _NOT_PASSED_ON}
    asked.META |= {
        "REQUEST_METHOD": method,
        "QUERY_STRING": urlencode({name: value for name, value in query.items() if value is not None}),
        "HTTP_ACCEPT": "application/json",
    }
    if body is not None:
        sent = json.dumps(body).encode()
        asked.META |= {"CONTENT_TYPE": "application/json", "CONTENT_LENGTH": str(len(sent))}
        # As a server hands a body over
        asked._stream, asked._read_started = io.BytesIO(sent), False  # type: ignore[attr-defined]  # noqa: SLF001
        # The page's own form was checked by the middleware; where it was not, the API checks
        asked.csrf_processing_done = getattr(request, "csrf_processing_done", False)  # type: ignore[attr-defined]
    if version is not None:
        asked.META["HTTP_IF_MATCH"] = version
    if method == "GET":
        # What one may see is looked up once a page; a write looks it up again
        asked.principal = getattr(request, "principal", None)  # type: ignore[attr-defined]
    asked.COOKIES = request.COOKIES
    asked.GET = QueryDict(asked.META["QUERY_STRING"])
    asked.user, asked.session = request.user, request.session
    asked.request_id = getattr(request, "request_id", "")  # type: ignore[attr-defined]
    return asked


def _problem(response: Response) -> ProblemError:
    said = response.data
    places = [
        Problem(one["detail"], one["code"], one.get("parameter", one.get("pointer", "")))
        for one in said.get("errors", [])
    ]
    in_query = not any("pointer" in one for one in said.get("errors", []))
    headers = {name: response[name] for name in ("Retry-After",) if name in response}
    return ProblemError(KINDS[said["code"]], said["detail"], places, headers, in_query=in_query)
