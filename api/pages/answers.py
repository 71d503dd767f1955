"""What the API answers, for a page: the same view, asked within this process by the person who looks. So a
page can show nothing that the API would not, and judges nothing itself."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import urlencode

from django.http import HttpRequest, QueryDict
from django.urls import resolve

from api.conventions.problems import KINDS, ProblemError
from sites.changes.errors import Problem

BELOW: Final = "/api/v1/"
# Of a program's request; a page is asked for by the cookie alone
_NOT_PASSED_ON: Final = frozenset({"HTTP_AUTHORIZATION", "HTTP_ACCEPT", "QUERY_STRING"})


def answer_of(request: HttpRequest, path: str, **query: Any) -> Any:
    """The data of ``GET /api/v1/{path}``; what is None is left out of the query. Any problem is raised
    as it is, absent and forbidden alike: a 404 says since when, or until when, a thing stood."""
    asked = _asked(request, BELOW + path, {name: value for name, value in query.items() if value is not None})
    match = resolve(asked.path)
    view: Any = match.func
    # The page has been counted as one request, so what it asks is not counted again
    options = {**view.initkwargs, "throttle_classes": []}
    act = (
        view.cls.as_view(view.actions, **options) if hasattr(view, "actions") else view.cls.as_view(**options)
    )
    response = act(asked, *match.args, **match.kwargs)
    if response.status_code >= 400:
        raise _problem(response.data)
    return response.data


def _asked(request: HttpRequest, path: str, query: dict[str, Any]) -> HttpRequest:
    asked = HttpRequest()
    asked.method, asked.path, asked.path_info = "GET", path, path
    asked.META = {name: value for name, value in request.META.items() if name not in _NOT_PASSED_ON}
    asked.META |= {
        "REQUEST_METHOD": "GET",
        "QUERY_STRING": urlencode(query),
        "HTTP_ACCEPT": "application/json",
    }
    asked.COOKIES = request.COOKIES
    asked.GET = QueryDict(asked.META["QUERY_STRING"])
    asked.user, asked.session = request.user, request.session
    asked.request_id = getattr(request, "request_id", "")  # type: ignore[attr-defined]
    return asked


def _problem(said: Any) -> ProblemError:
    places = [
        Problem(one["detail"], one["code"], one.get("parameter", one.get("pointer", "")))
        for one in said.get("errors", [])
    ]
    return ProblemError(KINDS[said["code"]], said["detail"], places, in_query=True)
