"""Everything that goes wrong, turned into a problem: inside a view of the API, and where none is at work."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import structlog
from django.conf import settings
from django.core.exceptions import (
    BadRequest,
    PermissionDenied,
    RequestDataTooBig,
    SuspiciousOperation,
)
from django.core.exceptions import ValidationError as DjangoInvalid
from django.db import DatabaseError, InterfaceError
from django.http import Http404, HttpRequest, HttpResponse, UnreadablePostError
from django.views import csrf as csrf_views
from django.views import defaults
from rest_framework import exceptions, serializers
from rest_framework.response import Response

from sites.access.selectors import AbilityMissing
from sites.changes.errors import ChangeRefused

from . import database_errors, problems
from .places import body_places
from .problems import Kind, Problem, invalid
from .refusals import refusal

log = structlog.get_logger(__name__)

NOTHING_HERE = "There is nothing here that you can see."


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Django REST framework's hook. None for what is a fault of ours: it goes on up, is logged, and is a
    500."""
    problem = problem_of(error)
    if problem is None:
        return None
    return Response(
        problem.as_json(context["request"]._request),  # noqa: SLF001 - the library's name for Django's request
        status=problem.kind.status,
        headers=dict(problem.headers),
        content_type=problems.CONTENT_TYPE,
    )


def problem_of(error: Exception) -> Problem | None:
    """The problem that `error` is to the one who asked; None if it is a fault of ours."""
    if isinstance(error, Problem):
        return error
    if isinstance(error, DatabaseError | InterfaceError):
        return database_errors.problem_of(error)
    for kinds, to_problem in _PROBLEMS:
        if isinstance(error, kinds):
            return to_problem(error)
    return None


def register(error_class: type[Exception], to_problem: Callable[[Any], Problem]) -> None:
    """Say what an exception of a lower room is to the one who asked."""
    _PROBLEMS.insert(0, ((error_class,), to_problem))


def _serializer_error(error: exceptions.ValidationError) -> Problem:
    return invalid(*body_places(error.detail))


def _service_error(error: DjangoInvalid) -> Problem:
    return _serializer_error(exceptions.ValidationError(serializers.as_serializer_error(error)))


def _not_authenticated(error: exceptions.APIException) -> Problem:
    challenge = getattr(error, "auth_header", None)
    return Problem(
        problems.NOT_AUTHENTICATED,
        "Send a token in the Authorization header, or log in.",
        headers={"WWW-Authenticate": challenge} if challenge else {},
    )


def _ability_missing(error: AbilityMissing) -> Problem:
    # RFC 6750 section 3.1: a program is told which scope it lacks
    challenge = f'Bearer realm="zonebook", error="insufficient_scope", scope="{error.ability.value}"'
    return Problem(
        problems.FORBIDDEN, str(error), headers={"WWW-Authenticate": challenge} if error.by_token else {}
    )


def _throttled(error: exceptions.Throttled) -> Problem:
    wait_s = getattr(error, "wait", None) or 0
    return Problem(
        problems.RATE_LIMITED,
        f"This caller may make {settings.REQUESTS_PER_MINUTE} requests in a minute; wait {wait_s} seconds.",
        headers={"Retry-After": str(wait_s)},
    )


def _unsupported(error: exceptions.UnsupportedMediaType) -> Problem:
    return Problem(
        problems.UNSUPPORTED_MEDIA_TYPE,
        f"{error.detail} Send Content-Type: application/json.",
        headers={"Accept": "application/json"},
    )


def _saying(kind: Kind, detail: str = "") -> Callable[[Any], Problem]:
    """Always this kind of problem, in these words, or those of the error."""
    return lambda error: Problem(kind, detail or str(error.detail))


# The first that fits holds, so what is special stands before what is general
_PROBLEMS: list[tuple[tuple[type[Exception], ...], Callable[[Any], Problem]]] = [
    ((exceptions.ValidationError,), _serializer_error),
    ((DjangoInvalid,), _service_error),
    ((exceptions.ParseError,), _saying(problems.MALFORMED_BODY)),
    ((exceptions.NotAuthenticated, exceptions.AuthenticationFailed), _not_authenticated),
    ((ChangeRefused,), refusal),
    ((AbilityMissing,), _ability_missing),
    (
        (exceptions.PermissionDenied, PermissionDenied),
        _saying(problems.FORBIDDEN, "Your role does not include this."),
    ),
    ((Http404, exceptions.NotFound), _saying(problems.NOT_FOUND, NOTHING_HERE)),
    ((exceptions.MethodNotAllowed,), _saying(problems.METHOD_NOT_ALLOWED)),
    (
        (exceptions.NotAcceptable,),
        _saying(problems.NOT_ACCEPTABLE, "What is here can be had as application/json only."),
    ),
    ((exceptions.UnsupportedMediaType,), _unsupported),
    ((exceptions.Throttled,), _throttled),
    ((RequestDataTooBig,), _saying(problems.TOO_LARGE, "The body is larger than is taken here.")),
    (
        (SuspiciousOperation, BadRequest, UnreadablePostError),
        _saying(problems.BAD_REQUEST, "The request cannot be understood as it was sent."),
    ),
]


# --- where no view of the API is at work: Django's own handlers (`api.urls`, settings) ----------------------


def is_for_the_api(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def handler400(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _answered(request, exception) or defaults.bad_request(request, exception)


def handler403(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _answered(request, exception) or defaults.permission_denied(request, exception)


def handler404(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _answered(request, exception) or defaults.page_not_found(request, exception)


def _answered(request: HttpRequest, exception: Exception) -> HttpResponse | None:
    """The problem that `exception` is, where it is for the API."""
    problem = problem_of(exception) if is_for_the_api(request) else None
    return None if problem is None else problem.as_response(request)


def handler500(request: HttpRequest) -> HttpResponse:
    if not is_for_the_api(request):
        return defaults.server_error(request)
    # Django calls this while it handles the exception: a database that is gone is not a fault of ours
    error = sys.exc_info()[1]
    known = problem_of(error) if isinstance(error, DatabaseError | InterfaceError) else None
    problem = known or Problem(
        problems.INTERNAL, "Something went wrong on our side; nothing was half written."
    )
    return problem.as_response(request)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    if not is_for_the_api(request):
        return csrf_views.csrf_failure(request, reason)
    return csrf_problem(reason).as_response(request)


def csrf_problem(reason: str) -> Problem:
    return Problem(problems.CSRF_FAILED, f"The CSRF check failed: {reason}")
