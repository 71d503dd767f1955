"""`X-Request-ID`: taken from the caller or made, in every log line of the request, in its problems, and
echoed."""

import re
import uuid
from collections.abc import Callable

import structlog
from django.http import HttpRequest, HttpResponse

HEADER = "X-Request-ID"
# It goes into logs and headers: printable, one word, of a bounded length
_ACCEPTED = re.compile(r"[A-Za-z0-9._:/+=-]{1,128}")


class RequestIdMiddleware:
    """First of the middleware, so that answers of the others have the id too."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        sent = request.headers.get(HEADER, "")
        request_id = sent if _ACCEPTED.fullmatch(sent) else str(uuid.uuid4())
        request.request_id = request_id  # type: ignore[attr-defined]
        with structlog.contextvars.bound_contextvars(request_id=request_id):
            response = self.get_response(request)
        response.headers[HEADER] = request_id
        return response


def request_id_of(request: HttpRequest) -> str:
    """The id of `request`; empty for one that did not come through the middleware."""
    return getattr(request, "request_id", "")
