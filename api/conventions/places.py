"""From the errors of (nested) serializers to problems, each with its JSON pointer (RFC 6901) or parameter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rest_framework.exceptions import ErrorDetail
from rest_framework.settings import api_settings

from sites.changes.errors import Problem


def pointer(*steps: str | int) -> str:
    """``pointer("points", 3, "a/b")`` is ``/points/3/a~1b``; of nothing, the empty pointer: the whole
    body."""
    return "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in steps)


def body_problems(detail: Any) -> list[Problem]:
    """Each error of a serializer for a body, with the JSON pointer to where it stands."""
    return [Problem(str(error), _code_of(error), pointer(*steps)) for steps, error in _walk(detail, ())]


def query_problems(detail: Any) -> list[Problem]:
    """Each error of a serializer for a query, with its parameter."""
    return [Problem(str(error), _code_of(error), str(steps[0])) for steps, error in _walk(detail, ())]


def _code_of(error: Any) -> str:
    return (isinstance(error, ErrorDetail) and error.code) or "invalid"


def _walk(detail: Any, steps: tuple[str | int, ...]) -> Iterator[tuple[tuple[str | int, ...], Any]]:
    if isinstance(detail, Mapping):
        for name, inner in detail.items():
            own = name == api_settings.NON_FIELD_ERRORS_KEY
            yield from _walk(inner, steps if own else (*steps, name))
    elif isinstance(detail, list | tuple):
        for index, inner in enumerate(detail):
            # A list of texts says several things about one place; a list of dicts, one about each of its
            # items
            nested = isinstance(inner, Mapping | list | tuple)
            yield from _walk(inner, (*steps, index) if nested else steps)
    else:
        yield steps, detail
