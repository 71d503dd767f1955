"""What can be done to a thing beside making, changing and ending it: each a POST of its own address, and one
operation of the record."""

from __future__ import annotations

from typing import Any

from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from api.conventions.views import Written


def done_to_it(name: str, says: str) -> Any:
    """``POST /things/{id}/name``: the operation that `bodies` gives it, done to the thing in the version that
    was read; answers with the thing as it is then. The view names it in `versioned`."""

    def act(self: Written, request: Request, *args: Any, **kwargs: Any) -> Response:  # noqa: ARG001
        self.written(self.named_row())
        return self.shown(self.row())

    return _named(act, name, says, detail=True)


def making_one(name: str, says: str) -> Any:
    """``POST /things/name``: another way in which a new thing comes about. The view names it in `making`."""

    def make(self: Written, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.create(request, *args, **kwargs)

    return _named(make, name, says, detail=False)


def _named(function: Any, name: str, says: str, *, detail: bool) -> Any:
    function.__name__ = name.replace("-", "_")
    function.__doc__ = says
    return action(detail=detail, methods=["post"], url_path=name, url_name=name)(function)
