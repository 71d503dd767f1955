"""What a search finds, as a page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from api.conventions import fields
from api.conventions.serializers import QuerySerializer
from api.pages.addresses import page_of
from api.pages.answers import answer_of
from api.pages.page import Page
from sites.wording import listed

MOST: Final = 50
SUGGESTED: Final = 8
SHORTEST: Final = 2
SHOWN_AS: Final = {"job": "change-set", "ticket": "case"}
"""Kinds that are shown on the page of another."""


class SearchPageQuery(QuerySerializer):
    q = fields.Text(required=False, allow_blank=True, max_length=200)


class SearchPage(Page):
    template_name = "pages/search.html"
    query = SearchPageQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        words = self.asked.get("q", "")
        if len(words) < SHORTEST:
            return {"q": words, "too_short": True, "found": []}
        found = answer_of(request, "search", q=words, page_size=MOST)
        every = _with_pages(found["items"])
        return {
            "q": words,
            "found": every,
            "exactly": [one for one in every if one["exact"]],
            "alike": [one for one in every if not one["exact"]],
            "nowhere": listed([f"“{word}”" for word in found["nowhere"]]),
        }


class Suggestions(Page):
    """The first of what a search finds, for the field to show while somebody types."""

    query = SearchPageQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        words = self.asked.get("q", "")
        if len(words) < SHORTEST:
            return {"found": []}
        return {"found": _with_pages(answer_of(request, "search", q=words, page_size=SUGGESTED)["items"])}

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:
        return render(request, "pages/_found.html", shown) if shown["found"] else HttpResponse()


def _with_pages(found: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [{**one, "page": _page(one)} for one in found]


def _page(one: Mapping[str, Any]) -> str:
    """The page of what was found. Who calls leads to the site; what has no page, to the closet or the site
    where it is; blank where it is in none."""
    if own := page_of(SHOWN_AS.get(one["kind"], one["kind"]), one["id"]):
        return own
    closet_id = None if one["kind"] == "contact" else one["closet_id"]
    if closet_id is not None:
        return page_of("closet", closet_id)
    return page_of("site", one["site_id"]) if one["site_id"] is not None else ""
