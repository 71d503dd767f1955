"""Turns errors of (nested) serializers into problems, each with its JSON pointer (RFC 6901) or parameter."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from rest_framework.exceptions import ErrorDetail
from rest_framework.settings import api_settings

from sites.changes.errors import MOST_NAMED, Problem
from sites.wording import shortened

Steps = tuple[str | int, ...]


def pointer(*steps: str | int) -> str:
    """``pointer("points", 3, "a/b")`` is ``/points/3/a~1b``; of nothing, the empty pointer: the whole
    body."""
    return "".join("/" + shortened(str(step), 200).replace("~", "~0").replace("/", "~1") for step in steps)


def body_problems(detail: Any) -> list[Problem]:
    """The errors of a serializer for a body, each with the JSON pointer to where it stands."""
    return _problems(detail, lambda steps: pointer(*steps))


def query_problems(detail: Any) -> list[Problem]:
    """The errors of a serializer for a query, each with its parameter."""
    return _problems(detail, lambda steps: str(steps[0]))


def _problems(detail: Any, place: Callable[[Steps], str]) -> list[Problem]:
    """The first are named, the others counted in one."""
    walked = _walk(detail, ())
    found = [
        Problem(str(error), _code_of(error), place(steps))
        for steps, error in itertools.islice(walked, MOST_NAMED)
    ]
    more = sum(1 for _ in walked)
    return [*found, Problem(f"{more:,} more.", "invalid", count=more)] if more else found


def _code_of(error: Any) -> str:
    return (isinstance(error, ErrorDetail) and error.code) or "invalid"


def _walk(detail: Any, steps: Steps) -> Iterator[tuple[Steps, Any]]:
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
