"""The root address. To who is logged in: what waits for them, what they opened last, what is past. To others:
what this is, and how a program asks with a token."""

from __future__ import annotations

from typing import Any, Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.request import split_domain_port
from django.shortcuts import render

from sites.access.abilities import Ability

from . import opened
from .answers import answer_of
from .causes import causes
from .page import Page

LOCAL_NAMES: Final = ("localhost", "127.0.0.1", "[::1]")
MOST_FINDINGS: Final = 100
MOST_DRAFTS: Final = 10


class HomePage(Page):
    template_name = "pages/home.html"

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.user.is_authenticated:
            return super().get(request, *args, **kwargs)
        return render(request, "pages/welcome.html", welcome(request))

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        past = answer_of(
            request, "findings", verdict="probably_past", order="-severity", page_size=MOST_FINDINGS
        )
        drafts: dict[str, Any] = {"items": [], "next": None}
        if self.principal.may(Ability.WRITE_RECORD):
            drafts = answer_of(request, "change-sets", state="draft", order="-id", page_size=MOST_DRAFTS)
        return {
            "groups": causes(past["items"]),
            "is_cut": past["next"] is not None,
            "most": MOST_FINDINGS,
            "drafts": drafts["items"],
            "more_drafts": drafts["next"] is not None,
            "opened": opened.last_opened(request, self.principal.scope),
        }


def welcome(request: HttpRequest) -> dict[str, Any]:
    return {
        "demo_token": _demo_token(request),
        "findings": request.build_absolute_uri("/api/v1/findings?page_size=3"),
        "search": request.build_absolute_uri("/api/v1/search?q=quay"),
    }


def _demo_token(request: HttpRequest) -> str:
    """The token that the demo made; none where a proxy shows the demo to other machines."""
    host, _port = split_domain_port(request.get_host())
    return settings.DEMO_TOKEN if host in LOCAL_NAMES else ""
