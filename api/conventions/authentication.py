"""Who is asking: a program by its bearer token (RFC 6750), a person by the session cookie, with the CSRF
check."""

from __future__ import annotations

import threading
from typing import Any, Final

import structlog
from django.db import DatabaseError, InterfaceError
from drf_spectacular.authentication import SessionScheme
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, CSRFCheck, SessionAuthentication
from rest_framework.request import Request

from sites.access.credentials import fault_of
from sites.access.selectors import token_by_secret
from sites.access.services import token_used, use_is_due
from sites.models.access import Token, User

from .errors import csrf_problem
from .permissions import count_refused
from .problems import INVALID_TOKEN, ProblemError

log = structlog.get_logger(__name__)

_uses = threading.local()
"""``due``: the token of the request that this thread answers, where its use is to be noted."""


def note_use(**_signal: object) -> None:
    """Receiver of ``request_finished``: note the token's use once its answer is sent, so that no read waits
    for a write."""
    token = vars(_uses).pop("due", None)
    if token is None:
        return
    try:
        token_used(token=token)
    except (DatabaseError, InterfaceError) as error:
        log.warning("the use of a token was not noted", token=token.pk, why=str(error).strip())


CHALLENGE: Final = 'Bearer realm="zonebook"'


class BearerAuthentication(BaseAuthentication):
    """``Authorization: Bearer TOKEN``. A header that is there decides: a bad one is never overlooked for a
    cookie."""

    def authenticate(self, request: Request) -> tuple[User, Token] | None:
        header = request.headers.get("Authorization")
        if header is None:
            return None
        scheme, _, secret = header.strip().partition(" ")
        if scheme.lower() != "bearer":
            raise _refused(request, "The Authorization header must read: Bearer TOKEN.")
        secret = secret.strip()
        fault = fault_of(secret)
        if fault:
            raise _refused(request, fault)
        token = token_by_secret(secret)
        if token is None:
            raise _refused(request, "This token was never made, was revoked, or has expired.")
        if use_is_due(token):
            _uses.due = token
        return token.user, token

    def authenticate_header(self, request: Request) -> str:  # noqa: ARG002 - the library's signature
        return CHALLENGE


def _refused(request: Request, detail: str) -> ProblemError:
    count_refused(request._request)  # noqa: SLF001 - the library's name for Django's request
    return ProblemError(
        INVALID_TOKEN, detail, headers={"WWW-Authenticate": f'{CHALLENGE}, error="invalid_token"'}
    )


class CookieAuthentication(SessionAuthentication):
    """The session cookie, for people; what changes something must carry the CSRF token too."""

    def enforce_csrf(self, request: Any) -> None:
        check = CSRFCheck(lambda _request: None)  # type: ignore[arg-type]
        check.process_request(request)
        reason = check.process_view(request, lambda: None, (), {})  # type: ignore[arg-type, return-value]
        if reason:
            raise csrf_problem(str(reason))


class BearerScheme(OpenApiAuthenticationExtension):
    target_class = BearerAuthentication
    name = "bearer"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:  # noqa: ARG002
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A token made by `manage.py token` or by a manager, with the scopes it needs. "
            "A 401 says whether it was cut or mistyped, or was never made, was revoked, or has expired.",
        }


class CookieScheme(SessionScheme):
    target_class = CookieAuthentication  # type: ignore[assignment]
    name = "session"
