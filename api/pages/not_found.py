"""What an address that leads nowhere says: to a program a problem, to a person where they can go."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.conventions import errors


def handler404(request: HttpRequest, exception: Exception) -> HttpResponse:
    for_the_api = errors.is_for_the_api(request)
    if for_the_api and not _by_a_browser(request):
        return errors.handler404(request, exception)
    return render(request, "pages/not_found.html", {"for_the_api": for_the_api}, status=404)


def _by_a_browser(request: HttpRequest) -> bool:
    """Whether HTML is wanted more than JSON; a program that accepts anything gets JSON."""
    return request.get_preferred_type(["application/json", "text/html"]) == "text/html"
