"""Problems as pages: what is wrong, where, what would be right, and the id under which the log has it.

The kinds are those of the API. Outside `/api/` a browser gets a page for every error, inside it a program
gets its problem; only an address that does not exist is a page there too, where a person asks.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from typing import Any, Final

from django.db import DatabaseError, InterfaceError
from django.http import HttpRequest, HttpResponse
from django.template import loader
from django.urls import Resolver404

from api.conventions import errors, problems
from api.conventions.problems import ProblemError
from api.conventions.request_id import request_id_of

# What a person does about it; the advice of a kind is for the author of a program
_ADVICE: Final[Mapping[int, str]] = {
    400: "Correct the address, or go back and choose again.",
    403: "Your role does not include this. A manager can do it, or change your role.",
    404: "Check the address, or search. Things outside your grants are hidden from you.",
    405: "Open the page by its link or its address.",
    429: "Wait as long as it says, then load the page again.",
    500: "The log has the whole error under the request id below: tell it to the people who run this server.",
    503: "Load the page again in a few seconds.",
}
_TITLES: Final[Mapping[int, str]] = {404: "Nothing at this address", 405: "This page cannot be written to"}


def problem_of(request: HttpRequest, error: Exception) -> ProblemError | None:
    """The problem that `error` is to the person who asked; None: a fault of ours."""
    return errors.problem_of(error, errors.if_write(request))


def as_page(request: HttpRequest, problem: ProblemError) -> HttpResponse:
    status = problem.kind.status
    shown: dict[str, Any] = {
        "title": _TITLES.get(status, problem.kind.title),
        "detail": problem.detail,
        "places": [one for one in problem.errors if one.path],
        "advice": _ADVICE.get(status, ""),
        "path": request.path,
        "request_id": request_id_of(request),
        "for_the_api": errors.is_for_the_api(request),
    }
    # The database may have failed, and rendering the user's name would query the database
    asked = request if status < 500 and hasattr(request, "user") else None
    text = loader.render_to_string("pages/problem.html", shown, asked)
    return HttpResponse(text, status=status, headers=dict(problem.headers))


def not_allowed(request: HttpRequest, allowed: Iterable[str]) -> HttpResponse:
    methods = ", ".join(allowed).upper()
    problem = ProblemError(
        problems.METHOD_NOT_ALLOWED,
        f"{request.method} is not possible here; {methods} is.",
        headers={"Allow": methods},
    )
    return as_page(request, problem)


# --- Django's own handlers (`api.urls`, settings) -----------------------------------------------------------


def handler400(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _handled(request, exception)


def handler403(request: HttpRequest, exception: Exception) -> HttpResponse:
    return _handled(request, exception)


def handler404(request: HttpRequest, exception: Exception) -> HttpResponse:
    # Which addresses there are is no secret; whether something is at one of them is
    if errors.is_for_the_api(request) and isinstance(exception, Resolver404):
        detail = "The API has no such address: /api/v1/reference lists them, none with a slash at its end."
        return _answer(request, ProblemError(problems.NOT_FOUND, detail), or_by_a_browser=True)
    return _handled(request, exception, or_by_a_browser=True)


def handler500(request: HttpRequest) -> HttpResponse:
    # Django calls this while it handles the exception: a database that is gone is not a fault of ours
    error = sys.exc_info()[1]
    known = problem_of(request, error) if isinstance(error, DatabaseError | InterfaceError) else None
    return _answer(request, known or ProblemError(problems.INTERNAL, errors.OUR_FAULT))


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    if errors.is_for_the_api(request):
        return errors.csrf_problem(reason).as_response(request)
    detail = (
        "The form was too old, or did not come from a page of this server. Load the page again, then send it."
    )
    return as_page(request, ProblemError(problems.CSRF_FAILED, detail))


def _handled(request: HttpRequest, error: Exception, *, or_by_a_browser: bool = False) -> HttpResponse:
    problem = problem_of(request, error) or ProblemError(problems.INTERNAL, errors.OUR_FAULT)
    return _answer(request, problem, or_by_a_browser=or_by_a_browser)


def _answer(request: HttpRequest, problem: ProblemError, *, or_by_a_browser: bool = False) -> HttpResponse:
    if errors.is_for_the_api(request) and not (or_by_a_browser and _by_a_browser(request)):
        return problem.as_response(request)
    return as_page(request, problem)


def _by_a_browser(request: HttpRequest) -> bool:
    """Whether HTML is wanted more than JSON; a program that accepts anything gets JSON."""
    return request.get_preferred_type(["application/json", "text/html"]) == "text/html"
