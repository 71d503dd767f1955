"""What a search finds, as a page."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest

from api.conventions import fields
from api.conventions.serializers import QuerySerializer
from api.pages.addresses import page_of
from api.pages.answers import answer_of
from api.pages.page import Page

MOST: Final = 50
SHORTEST: Final = 2


class SearchPageQuery(QuerySerializer):
    q = fields.Text(required=False, allow_blank=True, max_length=200)


class SearchPage(Page):
    template_name = "pages/search.html"
    query = SearchPageQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        words = self.asked.get("q", "")
        if len(words) < SHORTEST:
            return {"q": words, "too_short": True, "found": []}
        found = answer_of(request, "search", q=words, page_size=MOST)["items"]
        return {"q": words, "found": [{**one, "page": page_of(one["kind"], one["id"])} for one in found]}
