"""The root address: what this is, where the API's reference is, and how to ask with a token."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.request import split_domain_port
from django.shortcuts import render
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

LOCAL_NAMES: Final = ("localhost", "127.0.0.1", "[::1]")


@never_cache
@require_safe
def home(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "pages/home.html",
        {
            "demo_token": _demo_token(request),
            "findings": request.build_absolute_uri("/api/v1/findings?page_size=3"),
            "search": request.build_absolute_uri("/api/v1/search?q=quay"),
        },
    )


def _demo_token(request: HttpRequest) -> str:
    """The token that the demo made; none where a proxy shows the demo to other machines."""
    host, _port = split_domain_port(request.get_host())
    return settings.DEMO_TOKEN if host in LOCAL_NAMES else ""
