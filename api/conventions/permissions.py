"""Whether a request goes on. The throttle: requests a minute for each token, or each person, counted in the
cache and sent in the headers of every answer (IETF draft "RateLimit header fields for HTTP"); and tokens that
are refused, for each address, so that nobody can go on guessing. The permission:
authenticated, and holding the ability that the view's spec names for what is asked.

A window of the throttle is a fixed minute: around its edge a caller can make twice the number within a
minute, never more. The framework's own throttles keep a list of times a caller, read and written in two
steps, so that requests at once are not all counted, and send no headers."""

from __future__ import annotations

import ipaddress
import math
import re
import time
from typing import Any, Final

import structlog
from django.conf import settings
from django.core.cache import cache
from django.http import HttpRequest
from redis.exceptions import RedisError
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.throttling import BaseThrottle

from sites.access.abilities import Ability
from sites.models.access import Token, User

from .problems import RATE_LIMITED, ProblemError

log = structlog.get_logger(__name__)

WINDOW_S: Final = 60
_WITH_PORT: Final = re.compile(r"(?:\[(?P<six>[^\]]+)\]|(?P<four>[\d.]+))(?::\d+)?")

# Addresses with one answer for everybody: the schema, the reference page, the kinds of problems
PUBLIC: Final = "public"
# For any user or program that is logged in, with any role and scopes
AUTHENTICATED: Final = "authenticated"

Needed = Ability | str


class HoldsAbility(BasePermission):
    def has_permission(self, request: Request, view: Any) -> bool:
        needed = view.spec.ability if view.operation else None  # None: no such method, so a 405 follows
        if needed == PUBLIC:
            return True
        if not request.user.is_authenticated:
            return False
        if isinstance(needed, Ability):
            view.principal.require(needed)
        return True


class CallerThrottle(BaseThrottle):
    """Counts the requests of a token, or of a user where a person asks; what is public is not counted."""

    reset_s = 0

    def allow_request(self, request: Request, view: Any) -> bool:
        if not isinstance(request.user, User):
            return True
        token = request.auth if isinstance(request.auth, Token) else None
        quota: int = settings.REQUESTS_PER_MINUTE
        used, self.reset_s = count_request(
            f"user {request.user.pk}" if token is None else f"token {token.pk}"
        )
        view.rate_limit = {
            "RateLimit-Policy": f'"default";q={quota};w={WINDOW_S}',
            "RateLimit": f'"default";r={max(quota - used, 0)};t={self.reset_s}',
        }
        return used <= quota

    def wait(self) -> float:
        return self.reset_s


def address_of(request: HttpRequest) -> str:
    """Where a request comes from: what our proxy says of it, else the connection. Of IPv6 the network of 64
    bits, since a caller has a whole one."""
    said = str(request.META.get("REMOTE_ADDR", ""))
    if settings.BEHIND_PROXY:
        # Each proxy adds its caller at the end, so only the last was not written by the caller
        said = request.headers.get("X-Forwarded-For", said).rpartition(",")[2].strip()
    with_port = _WITH_PORT.fullmatch(said)  # as some proxies write it
    try:
        address = ipaddress.ip_address(with_port["six"] or with_port["four"] if with_port else said)
    except ValueError:
        return "unknown"  # a Unix socket
    if isinstance(address, ipaddress.IPv6Address):
        # A server that listens on [::] sees each IPv4 caller in one network of 64 bits (RFC 4291, 2.5.5.2)
        if address.ipv4_mapped is not None:
            return str(address.ipv4_mapped)
        return str(ipaddress.ip_network((address, 64), strict=False))
    return str(address)


def count_refused(request: HttpRequest) -> None:
    """Count a token that is refused, by the address that sent it; raise a 429 where there are too many. A
    valid one is not counted here, even where others share its address."""
    used, reset_s = count_request(f"refused {address_of(request)}")
    if used > settings.REFUSED_PER_MINUTE:
        raise ProblemError(
            RATE_LIMITED,
            f"This address sent {settings.REFUSED_PER_MINUTE} tokens in a minute that are not valid; wait "
            f"{reset_s} seconds.",
            headers={"Retry-After": str(reset_s)},
        )


def count_request(caller: str) -> tuple[int, int]:
    """How many requests `caller` has made in this window, this one included, and in how many seconds it ends.
    Where the cache is down no request is refused."""
    window, since = divmod(time.time(), WINDOW_S)
    key = f"requests/{caller.replace(' ', '/')}/{window:.0f}"
    try:
        used = _counted(key)
    except (RedisError, ValueError) as error:  # down, or the count was dropped meanwhile
        log.warning("request_not_counted", error=str(error))
        used = 1
    return used, max(math.ceil(WINDOW_S - since), 1)


def _counted(key: str) -> int:
    """One more under this key, which is there for all requests but the first of a window."""
    try:
        return int(cache.incr(key))
    except ValueError:
        return 1 if cache.add(key, 1, timeout=2 * WINDOW_S) else int(cache.incr(key))
