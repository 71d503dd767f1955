"""Counts how long each request took, by method and route."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import cache
from typing import Final

from django.http import HttpRequest, HttpResponse
from django.urls import URLPattern, URLResolver, get_resolver

from api.events.waiting import waits
from api.server.times import THREAD_WAIT, times

METHODS: Final = ("GET", "POST", "PATCH", "PUT", "DELETE")
NO_ROUTE: Final = "none"
"""Route that is counted for requests to unknown addresses."""


class RequestTimesMiddleware:
    """Outermost, so that what the others take is counted too."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        began = time.perf_counter()
        response = self.get_response(request)
        match = request.resolver_match
        row = rows().get((_method(request), match.route if match is not None else NO_ROUTE))
        if row is not None and not waits(request):
            times.add(row, time.perf_counter() - began)
        return response


def _method(request: HttpRequest) -> str:
    return "GET" if request.method == "HEAD" else request.method or ""


@cache
def rows() -> dict[tuple[str, str], int]:
    """The row in which the times of a method and route are counted: the same in every process of one code."""
    routes = sorted({NO_ROUTE, *_routes(get_resolver().url_patterns, "")})
    keys = [(method, route) for route in routes for method in METHODS]
    return {key: row for row, key in enumerate(keys, THREAD_WAIT + 1)}


def _routes(patterns: list[URLPattern | URLResolver], before: str) -> Iterator[str]:
    for one in patterns:
        route = before + str(one.pattern)
        if isinstance(one, URLResolver):
            yield from _routes(one.url_patterns, route)
        else:
            yield route
