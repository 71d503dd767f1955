"""`/calendars/KEY.ics`: a calendar at an address that needs no log-in."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.utils.cache import get_conditional_response
from django.utils.http import quote_etag
from django.views.decorators.http import require_safe

from api.conventions.permissions import address_of, count_request
from sites.access.credentials import digest_of
from sites.models import Site
from sites.services.calendars import calendar_at

from .due_tests import calendar_of

READ_PER_MINUTE: Final = 30
"""Of one calendar: programs ask every few hours, some on every start."""
MISSED_PER_MINUTE: Final = 30
"""Of one address on the network, keys that lead nowhere: nobody goes on guessing."""


@require_safe
def calendar_file(request: HttpRequest, key: str) -> HttpResponse:
    """What the calendar's owner may see now. Nothing tells a key that never was from one whose owner sees
    nothing any more."""
    found = calendar_at(key)
    if found is None:
        used, reset_s = count_request(f"calendars missed {address_of(request)}")
        return _too_many(reset_s) if used > MISSED_PER_MINUTE else _plain("There is no calendar here.", 404)
    calendar, scope = found
    used, reset_s = count_request(f"calendar {calendar.pk}")
    if used > READ_PER_MINUTE:
        return _too_many(reset_s)

    def page_of(site: Site) -> str:
        return request.build_absolute_uri(f"/sites/{site.pk}")

    body = calendar_of(scope, calendar.name, page_of)
    answer = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    answer["ETag"] = quote_etag(digest_of(body.decode()))
    answer["Cache-Control"] = "private, no-cache"
    answer["Content-Disposition"] = 'inline; filename="tests-due.ics"'
    answer["X-Robots-Tag"] = "noindex"
    answer["Referrer-Policy"] = "no-referrer"
    conditional = get_conditional_response(request, etag=answer["ETag"], response=answer)
    return conditional if isinstance(conditional, HttpResponse) else answer


def _too_many(reset_s: int) -> HttpResponse:
    answer = _plain(f"Too many requests; wait {reset_s} seconds.", 429)
    answer["Retry-After"] = str(reset_s)
    return answer


def _plain(text: str, status: int) -> HttpResponse:
    answer = HttpResponse(f"{text}\n", content_type="text/plain; charset=utf-8", status=status)
    answer["Cache-Control"] = "no-store"
    # Django would log the path, and with it a key that may work again tomorrow
    answer._has_been_logged = True  # type: ignore[attr-defined]  # noqa: SLF001
    return answer
