"""Labels for the doors of closets: a sheet to print, and where the code on each leads."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse

from api.pages.answers import answer_of
from api.pages.page import Page
from api.pages.printed import answer_pdf, pdf, qr_code
from sites.access.gates import NotFound
from sites.models import Site

from .door_keys import closet_id_of, key_of

MOST: Final = 500
"""Closets of a site, which is what one answer of the API holds."""


class LabelsPdf(Page):
    """The closets that stand today, by name."""

    shows = Site

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        site = answer_of(request, f"sites/{kwargs['id']}")
        closets = answer_of(request, "closets", site_id=site["id"], order="name", page_size=MOST)["items"]
        return {"site": site, "labels": [_label(request, one) for one in closets]}

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:  # noqa: ARG002
        site = shown["site"]
        return answer_pdf(
            pdf("labels.typ", {"site": site["name"], "labels": shown["labels"]}), f"labels-{site['id']}"
        )


def _label(request: HttpRequest, closet: dict[str, Any]) -> dict[str, str]:
    address = request.build_absolute_uri(reverse("door", kwargs={"key": key_of(closet["id"])}))
    return {"closet": closet["name"], "address": address, "code": qr_code(address)}


class DoorPage(Page):
    """Leads from a label to the sheet of its closet. A key of no closet, and that of one out of scope, are
    the same 404."""

    def get(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        closet_id = closet_id_of(kwargs["key"])
        if closet_id is None:
            raise NotFound
        answer_of(request, f"closets/{closet_id}")
        return HttpResponseRedirect(reverse("closet", kwargs={"id": closet_id}))
