"""So many requests a minute for each token, or each person: counted in the database, so the number holds
whatever the number of processes, and told in the headers of every answer (IETF draft "RateLimit header fields
for HTTP").

A window is a fixed minute: around its edge a caller can make twice the number within a minute, never more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.conf import settings
from django.db import connection

from sites.access.models import Token, User

from .problems import RATE_LIMITED, Problem

WINDOW_S: Final = 60

# The clock is the database's, one for all processes. The count stops just past the quota, which is all that
# anyone asks of it, so that a runaway program cannot count up to an overflow
_COUNT: Final = """
    INSERT INTO request_window AS kept (caller, "window", used)
    VALUES (%(caller)s, floor(extract(epoch FROM clock_timestamp()) / %(window_s)s)::bigint, 1)
    ON CONFLICT (caller) DO UPDATE SET
        used = CASE WHEN kept."window" = excluded."window" THEN least(kept.used, %(quota)s) + 1 ELSE 1 END,
        "window" = excluded."window"
    RETURNING used, ceil((("window" + 1) * %(window_s)s) - extract(epoch FROM clock_timestamp()))::bigint
"""


@dataclass(frozen=True)
class Allowance:
    """What a caller has left of its quota, after this request, and in how many seconds it begins anew."""

    quota: int
    used: int
    reset_s: int

    @property
    def exceeded(self) -> bool:
        return self.used > self.quota

    def headers(self) -> dict[str, str]:
        left = max(self.quota - self.used, 0)
        return {
            "RateLimit-Policy": f'"default";q={self.quota};w={WINDOW_S}',
            "RateLimit": f'"default";r={left};t={self.reset_s}',
        }

    def check(self) -> None:
        """Raise the 429 when the quota is used up."""
        if self.exceeded:
            raise Problem(
                RATE_LIMITED,
                f"This caller may make {self.quota} requests in {WINDOW_S} seconds; "
                f"wait {self.reset_s} seconds.",
                headers={"Retry-After": str(self.reset_s)},
            )


def count_request(user: User, token: Token | None) -> Allowance:
    """Count one request of `token`, or of `user` where a person asks; one statement, committed by itself."""
    quota: int = settings.REQUESTS_PER_MINUTE
    caller = f"user {user.pk}" if token is None else f"token {token.pk}"
    with connection.cursor() as cursor:
        cursor.execute(_COUNT, {"caller": caller, "quota": quota, "window_s": WINDOW_S})
        used, reset_s = cursor.fetchone()
    return Allowance(quota=quota, used=used, reset_s=max(reset_s, 1))
