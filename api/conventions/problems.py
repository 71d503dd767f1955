"""Problem details (RFC 9457): the one shape of every error, and the list of the kinds there are.

A kind's ``type`` is the address of its own description, ``/api/v1/problems/{code}``. Raise `ProblemError`
anywhere below a view; every other exception is turned into one in `api.conventions.errors`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.http import HttpRequest, HttpResponse

from sites.changes.errors import MOST_NAMED, Problem, counted_problems
from sites.wording import shortened

from .request_id import request_id_of

CONTENT_TYPE: Final = "application/problem+json"
TYPE_PATH: Final = "/api/v1/problems/"
# Texts of a problem, which may repeat what was sent: with ``MOST_NAMED`` places, they bound its size
LONGEST_DETAIL: Final = 2_000
LONGEST_POINTER: Final = 500
LARGEST_BODY_BYTES: Final = 4 * 1024 * 1024
"""Of a request; also the web server's worker refuses more, before it is read."""


@dataclass(frozen=True)
class Kind:
    """One kind of problem. `title` never varies; `advice`: what a program's author does about it."""

    code: str
    status: int
    title: str
    advice: str

    @property
    def type(self) -> str:
        return TYPE_PATH + self.code


BAD_REQUEST: Final = Kind(
    "bad_request", 400, "The request cannot be understood", "Correct the request; the same one fails again."
)
MALFORMED_BODY: Final = Kind(
    "malformed_body",
    400,
    "The body is not the JSON that was expected",
    "Send one JSON object in UTF-8, with finite numbers and each name once.",
)
INVALID: Final = Kind(
    "invalid",
    400,
    "Some of what was sent is not right",
    f"`errors` names the first {MOST_NAMED} places, each as a JSON pointer into the body or as a query "
    "parameter, and what would be right; `more_errors` counts the others.",
)
NOT_AUTHENTICATED: Final = Kind(
    "not_authenticated",
    401,
    "No user is logged in",
    "Send `Authorization: Bearer TOKEN`, or log in and send the session cookie.",
)
INVALID_TOKEN: Final = Kind(
    "invalid_token",
    401,
    "The token is not, or no longer, valid",
    "Check that the whole token is sent; if it was revoked or has expired, ask for another.",
)
FORBIDDEN: Final = Kind(
    "forbidden",
    403,
    "You may not do this",
    "A role and a token's scopes say what may be done; someone with more must do it, or grant it.",
)
CSRF_FAILED: Final = Kind(
    "csrf_failed",
    403,
    "The request does not prove that it comes from our pages",
    "With a session cookie, send the CSRF cookie's value in `X-CSRFToken`; programs use a token instead.",
)
NOT_FOUND: Final = Kind(
    "not_found",
    404,
    "There is nothing here",
    "Check the address; things outside your grants are hidden from you too.",
)
METHOD_NOT_ALLOWED: Final = Kind(
    "method_not_allowed", 405, "This cannot be done here", "`Allow` lists the methods that this address has."
)
NOT_ACCEPTABLE: Final = Kind(
    "not_acceptable", 406, "This is not available in the form asked for", "Accept `application/json`."
)
CONFLICT: Final = Kind(
    "conflict",
    409,
    "This contradicts what is recorded",
    "Read the present state, decide again, and send a request that fits it.",
)
IN_PROGRESS: Final = Kind(
    "in_progress",
    409,
    "The same request is being answered now",
    "Send it again with the same `Idempotency-Key` after the seconds in `Retry-After`, to have its answer.",
)
GONE: Final = Kind("gone", 410, "This is no longer available", "`detail` says where to start again.")
LENGTH_REQUIRED: Final = Kind(
    "length_required",
    411,
    "Say how long the body is",
    "Send the whole body with a `Content-Length`, without `Transfer-Encoding`.",
)
STALE_VERSION: Final = Kind(
    "stale_version",
    412,
    "Someone changed this in the meantime",
    "Read it again, decide whether your change still holds, and send it with the new `ETag` in `If-Match`.",
)
TOO_LARGE: Final = Kind("too_large", 413, "The body is too large", "Send it in smaller parts.")
REQUEST_TIMEOUT: Final = Kind(
    "request_timeout",
    408,
    "The request did not come in time",
    "Open a new connection, and send the request in one go.",
)
HEADERS_TOO_LARGE: Final = Kind(
    "headers_too_large", 431, "The head of the request is too large", "Send fewer or shorter headers."
)
UNSUPPORTED_MEDIA_TYPE: Final = Kind(
    "unsupported_media_type",
    415,
    "The body is of a kind that is not read here",
    "Send `Content-Type: application/json`.",
)
UNPROCESSABLE: Final = Kind(
    "unprocessable",
    422,
    "This cannot stand in the record",
    "`detail` says which rule of the record it breaks.",
)
KEY_REUSED: Final = Kind(
    "key_reused",
    422,
    "Another request was sent with this Idempotency-Key",
    "Make a new key for each new request, and keep it for sending that one again.",
)
PRECONDITION_REQUIRED: Final = Kind(
    "precondition_required",
    428,
    "Say which version you mean to change",
    "Read it first and send its `ETag` in `If-Match`.",
)
RATE_LIMITED: Final = Kind(
    "rate_limited",
    429,
    "Too many requests",
    "Wait for the seconds in `Retry-After`; `RateLimit` says what is left.",
)
INTERNAL: Final = Kind(
    "internal",
    500,
    "Something went wrong on our side",
    "Nothing was half written. Give the operator the `request_id`; it is in the log.",
)
UNAVAILABLE: Final = Kind(
    "unavailable",
    503,
    "The service cannot answer just now",
    "Nothing was written. Send the same request again after the seconds in `Retry-After`.",
)
OUTCOME_UNKNOWN: Final = Kind(
    "outcome_unknown",
    503,
    "It is not known whether this was written",
    "The connection to the database broke while the change was committed. Send the same request again with "
    "the same `Idempotency-Key`: it is written once. Sent without a key, look first whether it is there.",
)

KINDS: Final[dict[str, Kind]] = {kind.code: kind for kind in globals().values() if isinstance(kind, Kind)}


@dataclass
class ProblemError(Exception):
    """Raised anywhere below a view; answered as `application/problem+json`. `errors`: of the body, or
    (`in_query`) of the query, where the path of each is its parameter. `members`: more that a program needs
    (RFC 9457, section 3.2)."""

    kind: Kind
    detail: str
    errors: Sequence[Problem] = ()
    headers: Mapping[str, str] = field(default_factory=dict)
    in_query: bool = False
    members: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return f"{self.kind.status} {self.kind.code}: {self.detail}"

    def as_json(self, request: HttpRequest) -> dict[str, Any]:
        """The body; `instance` is the path of the request, without its query, which may hold what is
        private. The first places are named, the others counted."""
        named = self.errors[:MOST_NAMED]
        return {
            "type": self.kind.type,
            "title": self.kind.title,
            "status": self.kind.status,
            "detail": shortened(self.detail, LONGEST_DETAIL),
            "instance": shortened(request.path, LONGEST_POINTER),
            "code": self.kind.code,
            "request_id": request_id_of(request),
            "errors": [
                {
                    "parameter" if self.in_query else "pointer": shortened(
                        error.path if self.in_query else error.pointer, LONGEST_POINTER
                    ),
                    "code": error.code,
                    "detail": shortened(error.detail, LONGEST_DETAIL),
                }
                for error in named
            ],
            "more_errors": counted_problems(self.errors[MOST_NAMED:]),
            **self.members,
        }

    def as_response(self, request: HttpRequest) -> HttpResponse:
        """The answer where no view of the API is at work (an unknown address, a refused host, a crash)."""
        return HttpResponse(
            json.dumps(self.as_json(request), ensure_ascii=False),
            content_type=CONTENT_TYPE,
            status=self.kind.status,
            headers=dict(self.headers),
        )


def invalid(errors: Sequence[Problem], *, in_query: bool = False) -> ProblemError:
    """The 400 for values of the body or the query that are wrong; its detail is that of the first of them."""
    count = counted_problems(errors)
    more = "" if count == 1 else f" ({count:,} things to correct in all)"
    return ProblemError(INVALID, f"{errors[0].detail}{more}", errors, in_query=in_query)
