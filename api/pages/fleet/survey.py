"""The survey of a site: what the record leaves open, in the order of the next visit."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from sites.models import Site


class SurveyPage(Page):
    template_name = "pages/survey.html"
    query = OnQuery
    shows = Site

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        survey = answer_of(request, f"sites/{kwargs['id']}/survey", as_of=self.on)
        return {
            "survey": survey,
            "way": [("site", {"id": survey["site_id"], "name": survey["site"]})],
        }
