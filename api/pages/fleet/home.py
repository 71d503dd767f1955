"""The root address. Logged-in users see what waits for them, what they opened last and what is past;
everybody else sees what this is, and how a program asks with a token."""

from __future__ import annotations

from typing import Any, Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.http.request import split_domain_port
from django.shortcuts import render

from api.pages import opened
from api.pages.answers import answer_of
from api.pages.page import Page
from api.pages.parts.cases import by_consequence
from api.pages.parts.change_sets import drafts
from sites.access.abilities import Ability
from sites.models import Subscription

from .fleet import tests_to_come

LOCAL_NAMES: Final = ("localhost", "127.0.0.1", "[::1]")
MOST_CASES: Final = 20
MOST_DRAFTS: Final = 10


class HomePage(Page):
    template_name = "pages/home.html"

    def get(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if request.user.is_authenticated:
            return super().get(request, *args, **kwargs)
        return render(request, "pages/welcome.html", welcome(request))

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        past: dict[str, Any] = {"verdict": "probably_past", "order": "-severity"}
        cases = answer_of(request, "cases", **past, page_size=MOST_CASES, expand="site")
        counts = answer_of(request, "cases/counts")
        return {
            "groups": by_consequence(cases["items"]),
            "is_cut": cases["next"] is not None,
            "here": len(cases["items"]),
            "summary": counts["summary"],
            **(
                drafts(request, MOST_DRAFTS, count="true") if self.principal.may(Ability.WRITE_RECORD) else {}
            ),
            **tests_to_come(request),
            "stopped": stopped(request) if self.principal.may(Ability.SUBSCRIPTIONS) else (),
            "opened": opened.last_opened(request, self.principal.scope),
        }


def stopped(request: HttpRequest) -> list[Any]:
    """Own subscriptions that were switched off by what their receivers answered: nothing more is pushed."""
    subscriptions = answer_of(request, "subscriptions")["items"]
    return [one for one in subscriptions if one["off_because"] not in ("", Subscription.Reason.ASKED)]


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
