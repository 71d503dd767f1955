"""Every operation that the URLconf answers below /api/v1."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from django.urls import URLPattern, URLResolver, get_resolver

from api.conventions.viewsets import ReadOnlyViewSet

PREFIX: Final = "api/v1/"
METHODS: Final = ("GET", "POST", "PUT", "PATCH", "DELETE")


@dataclass(frozen=True)
class Served:
    """route: as the URLconf has it, ``{id}`` for an id. view_set and action: None and blank where a plain
    view answers."""

    method: str
    route: str
    view_set: type[ReadOnlyViewSet] | None
    action: str
    kwargs: dict[str, Any]

    @property
    def resource(self) -> str:
        """Its path below the root, up to the id."""
        return self.route.removeprefix(f"/{PREFIX}").partition("/{id}")[0]

    def query_fields(self) -> tuple[str, ...]:
        """What the query of this operation may hold."""
        assert self.view_set is not None
        view = self.view_set(**self.kwargs)
        view.detail = "{id}" in self.route
        return tuple(view.spec_of(self.action).query._declared_fields)


def served() -> Iterator[Served]:
    for route, pattern in _patterns(get_resolver().url_patterns):
        if not route.startswith(PREFIX):
            continue
        view: Any = pattern.callback
        actions: dict[str, str] | None = getattr(view, "actions", None)
        view_class = getattr(view, "view_class", None)
        methods = actions or {name: "" for name in map(str.lower, METHODS) if hasattr(view_class, name)}
        readable = "/" + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", route)
        for method, action in [*methods.items()]:
            if method.upper() in METHODS:
                yield Served(
                    method.upper(),
                    readable,
                    getattr(view, "cls", None) if actions else None,
                    action,
                    getattr(view, "initkwargs", {}),
                )


def _patterns(patterns: list[Any], before: str = "") -> Iterator[tuple[str, URLPattern]]:
    for pattern in patterns:
        route = before + str(pattern.pattern)
        if isinstance(pattern, URLResolver):
            yield from _patterns(pattern.url_patterns, route)
        else:
            yield route, pattern
