"""Whether a request goes on. The throttle: requests a minute for each token, or each person, counted in the
cache and sent in the headers of every answer (IETF draft "RateLimit header fields for HTTP"). The permission:
authenticated, and holding the ability that the view's spec names for what is asked.

A window of the throttle is a fixed minute: around its edge a caller can make twice the number within a
minute, never more. The framework's own throttles keep a list of times a caller, read and written in two
steps, so that requests at once are not all counted, and send no headers."""

from __future__ import annotations

import math
import time
from typing import Any, Final

import structlog
from django.conf import settings
from django.core.cache import cache
from redis.exceptions import RedisError
from rest_framework.permissions import BasePermission
from rest_framework.request import Request
from rest_framework.throttling import BaseThrottle

from sites.access.abilities import Ability
from sites.models.access import Token, User

log = structlog.get_logger(__name__)

WINDOW_S: Final = 60

# Addresses with one answer for everybody: the schema, the reference page, the kinds of problems
PUBLIC: Final = "public"
# For any user or program that is logged in, whatever its role and scopes
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


def count_request(caller: str) -> tuple[int, int]:
    """How many requests `caller` has made in this window, this one included, and in how many seconds it ends.
    Where the cache is down no request is refused."""
    window, since = divmod(time.time(), WINDOW_S)
    key = f"requests/{caller.replace(' ', '/')}/{window:.0f}"
    try:
        cache.add(key, 0, timeout=2 * WINDOW_S)
        used = cache.incr(key)
    except (RedisError, ValueError) as error:  # down, or the count was dropped between the two
        log.warning("request_not_counted", error=str(error))
        used = 1
    return used, max(math.ceil(WINDOW_S - since), 1)
