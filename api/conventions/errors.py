"""Every exception, turned into a problem: inside a view of the API, and outside of any view."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
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
from django.db import DataError, IntegrityError, InterfaceError, OperationalError
from django.http import Http404, HttpRequest, UnreadablePostError
from psycopg import errors as pg
from rest_framework import exceptions, serializers
from rest_framework.permissions import SAFE_METHODS
from rest_framework.response import Response

from api.database.commits import commit_was_sent, ended_idle
from sites.access.selectors import AbilityMissing, AllCustomersMissing
from sites.changes import constraints
from sites.changes.errors import ChangeRefused, DraftsOnly, Problem

from . import idempotency, problems
from .places import body_problems
from .problems import Kind, ProblemError, invalid

log = structlog.get_logger(__name__)

NOTHING_HERE = "There is nothing here that you can see."
OUR_FAULT = "Something went wrong on our side; nothing was half written."
_NOT_UNDERSTOOD = "The request cannot be understood as it was sent."
RETRY_AFTER_S = 2
# Codes of values that are wrong by themselves, independently of the record: a 400
_OF_THE_VALUES = frozenset({"required", "invalid", "unknown", "not_found", "max_length"})
# Codes of conflicts with what is recorded, which can be dealt with first: a 409
_IN_THE_WAY = frozenset(
    {
        "contradicts_later",
        "ended",
        "not_yet_there",
        "in_use",
        "conflict",
        "accepted",
        "not_a_draft",
        "withdrawn",
        "not_accepted",
        "cannot_be_withdrawn",
        "of_an_earlier_day",
    }
)
# A conflict with another row (409); any other broken rule is about the values themselves (422)
_ROW_IN_THE_WAY = (pg.UniqueViolation, pg.ExclusionViolation, pg.ForeignKeyViolation)


def exception_handler(error: Exception, context: dict[str, Any]) -> Response | None:
    """Django REST framework's hook. None for a fault of ours: it is raised again, logged, and a 500."""
    request = context["request"]._request  # noqa: SLF001 - the library's name for Django's request
    spec = getattr(context["view"], "spec", None)
    writes = spec is not None and spec.writes(request.method)  # without one nothing was asked of a view
    problem = problem_of(error, request if writes else None)
    if problem is None:
        return None
    return Response(
        problem.as_json(request),
        status=problem.kind.status,
        headers=dict(problem.headers),
        content_type=problems.CONTENT_TYPE,
    )


def problem_of(error: Exception, write: HttpRequest | None = None) -> ProblemError | None:
    """The problem that `error` is to the caller; None if it is a fault of ours. `write`: the request, where
    it is one that writes."""
    if isinstance(error, ProblemError):
        return error
    if isinstance(error, OperationalError | InterfaceError) or ended_idle(error):
        return _unavailable(error, write)
    for kinds, to_problem in _PROBLEMS:
        if isinstance(error, kinds):
            return to_problem(error)
    return None


def _sent_pointer(problem: Problem) -> str:
    return problem.pointer


def refusal(refused: ChangeRefused, outer_pointer: Callable[[Problem], str] = _sent_pointer) -> ProblemError:
    """The problem that a refused change is. Where the thing itself was changed meanwhile, the caller answers
    412 instead. outer_pointer: where in the body that was sent each of its problems is."""
    codes = {problem.code for problem in refused.problems}
    if isinstance(refused.__cause__, IntegrityError):
        kind = _kind_of(refused.__cause__)
    elif codes <= _OF_THE_VALUES:
        kind = problems.INVALID
    else:
        kind = problems.CONFLICT if codes & _IN_THE_WAY else problems.UNPROCESSABLE
    return ProblemError(
        kind,
        str(refused),
        [replace(problem, path=outer_pointer(problem), operation=None) for problem in refused.problems],
    )


# --- what the database refused ------------------------------------------------------------------------------


def _unavailable(error: Exception, write: HttpRequest | None) -> ProblemError:
    # The database is gone, ended a transaction that was idle, or rolled back one of two in a deadlock: the
    # same request can be sent again. Where a COMMIT was sent, the server may have acted on it
    unknown = write is not None and commit_was_sent()
    log.warning("database_unavailable", error=str(error), outcome_unknown=unknown)
    headers = {"Retry-After": str(RETRY_AFTER_S)}
    if not unknown or write is None:
        detail = "The database could not complete this just now; nothing was written."
        return ProblemError(problems.UNAVAILABLE, detail, headers=headers)
    advice = (
        "send it again with the same Idempotency-Key"
        if idempotency.HEADER in write.headers
        else "look first, before you send it again; with an Idempotency-Key you would not have to"
    )
    return ProblemError(
        problems.OUTCOME_UNKNOWN, f"It is not known whether this was written: {advice}.", headers=headers
    )


def _broken_rule(error: IntegrityError) -> ProblemError:
    broken = constraints.problem_of(error)
    return ProblemError(_kind_of(error), broken.detail, [broken])


def _kind_of(error: IntegrityError) -> Kind:
    return problems.CONFLICT if isinstance(error.__cause__, _ROW_IN_THE_WAY) else problems.UNPROCESSABLE


# --- what the framework and the services refuse -------------------------------------------------------------


def _serializer_error(error: exceptions.ValidationError) -> ProblemError:
    return invalid(body_problems(error.detail))


def _service_error(error: DjangoInvalid) -> ProblemError:
    return _serializer_error(exceptions.ValidationError(serializers.as_serializer_error(error)))


def _not_authenticated(error: exceptions.APIException) -> ProblemError:
    challenge = getattr(error, "auth_header", None)
    return ProblemError(
        problems.NOT_AUTHENTICATED,
        "Send a token in the Authorization header, or log in.",
        headers={"WWW-Authenticate": challenge} if challenge else {},
    )


def _ability_missing(error: AbilityMissing) -> ProblemError:
    # RFC 6750 section 3.1: the header names the scope that a program lacks
    challenge = f'Bearer realm="zonebook", error="insufficient_scope", scope="{error.ability.value}"'
    return ProblemError(
        problems.FORBIDDEN, str(error), headers={"WWW-Authenticate": challenge} if error.by_token else {}
    )


def _throttled(error: exceptions.Throttled) -> ProblemError:
    wait_s = getattr(error, "wait", None) or 0
    return ProblemError(
        problems.RATE_LIMITED,
        f"This caller may make {settings.REQUESTS_PER_MINUTE} requests in a minute; wait {wait_s} seconds.",
        headers={"Retry-After": str(wait_s)},
    )


def _unsupported(error: exceptions.UnsupportedMediaType) -> ProblemError:
    return ProblemError(
        problems.UNSUPPORTED_MEDIA_TYPE,
        f"{error.detail} Send Content-Type: application/json.",
        headers={"Accept": "application/json"},
    )


def _unreadable(error: UnreadablePostError) -> ProblemError:
    if isinstance(error.__cause__, BlockingIOError | TimeoutError):
        return ProblemError(problems.REQUEST_TIMEOUT, "The body of the request did not come in time.")
    return ProblemError(problems.BAD_REQUEST, _NOT_UNDERSTOOD)


def _saying(kind: Kind, detail: str = "") -> Callable[[Any], ProblemError]:
    """This kind of problem, with `detail` or the text of the error."""
    return lambda error: ProblemError(kind, detail or str(error.detail))


# The first match counts, so subclasses stand before their base classes
_PROBLEMS: list[tuple[tuple[type[Exception], ...], Callable[[Any], ProblemError]]] = [
    ((IntegrityError,), _broken_rule),
    ((DataError,), _saying(problems.UNPROCESSABLE, "A value is out of the range that can be recorded.")),
    ((exceptions.ValidationError,), _serializer_error),
    ((DjangoInvalid,), _service_error),
    ((exceptions.ParseError,), _saying(problems.MALFORMED_BODY)),
    ((exceptions.NotAuthenticated, exceptions.AuthenticationFailed), _not_authenticated),
    ((ChangeRefused,), refusal),
    ((AbilityMissing,), _ability_missing),
    ((AllCustomersMissing, DraftsOnly), lambda error: ProblemError(problems.FORBIDDEN, str(error))),
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
    ((UnreadablePostError,), _unreadable),
    ((SuspiciousOperation, BadRequest), _saying(problems.BAD_REQUEST, _NOT_UNDERSTOOD)),
]


# --- outside of any view (`api.pages.problem_pages`) --------------------------------------------------------


def is_for_the_api(request: HttpRequest) -> bool:
    return request.path.startswith("/api/")


def if_write(request: HttpRequest) -> HttpRequest | None:
    return None if request.method in SAFE_METHODS else request


def csrf_problem(reason: str) -> ProblemError:
    return ProblemError(problems.CSRF_FAILED, f"The CSRF check failed: {reason}")
