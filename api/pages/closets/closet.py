"""A closet: the sheet that is read before a visit, to look at and to print."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.printed import answer_pdf
from sites.access.abilities import Ability
from sites.access.gates import closet_for
from sites.changes.making import today_in
from sites.models import Closet

from .sheet import sheet_parts, sheet_pdf
from .sheet_parts import SheetParts


class SheetPage(Page):
    query = OnQuery
    shows = Closet

    def parts(self, request: HttpRequest, closet_id: int) -> SheetParts:
        # Says why, where it did not stand on the day
        answer_of(request, f"closets/{closet_id}", as_of=self.on)
        closet = closet_for(principal=self.principal, id=closet_id)
        return sheet_parts(closet, self.on or today_in(closet.site.time_zone))


class ClosetPage(SheetPage):
    template_name = "pages/closet_sheet.html"

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        return {
            "sheet": asdict(self.parts(request, kwargs["id"])),
            "may_see_codes": self.principal.may(Ability.REVEAL_SECRETS),
        }


class ClosetPdf(SheetPage):
    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        return {"parts": self.parts(request, kwargs["id"])}

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:
        parts: SheetParts = shown["parts"]
        address = request.build_absolute_uri(reverse("closet", kwargs={"id": parts.closet_id}))
        return answer_pdf(sheet_pdf(parts, address), f"closet-{parts.closet_id}")
