"""The codes that are kept for a closet: what each opens; a person who gives a reason is shown one."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.urls import reverse

from api.conventions.problems import ProblemError
from api.pages.answers import answer_of, change_of
from api.pages.form_page import Act, answer_refused, text_field
from api.pages.page import Page
from api.pages.unlogged import Unlogged
from sites.access.gates import NotFound
from sites.models import Closet

SHOWN_S: Final = 60
MOST: Final = 500
"""Codes of a site, which is what one answer of the API holds."""


class Reveal(Act):
    """Each code has a button of its own, which sends its id."""

    name = "reveal"
    title = "Have a code shown"
    button = "Show"
    sends_blank = True

    reason = text_field(
        "Why you need the code",
        "It is logged with your name and the time.",
        longest=2000,
        needed=True,
    )


class CodesPage(Page):
    """GET lists what the codes open. POST answers with one code, which stands nowhere else: not in the
    session, not in an address, and after a minute not in the window. It takes no script for that."""

    template_name = "pages/codes.html"
    http_method_names = ["get", "head", "post"]
    shows = Closet

    form: Reveal | None = None

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        closet = answer_of(request, f"closets/{kwargs['id']}", expand="site")
        return {
            "closet": closet,
            "way": [("site", closet["site"]), ("closet", closet)],
            "codes": _codes_of(request, closet),
            "form": self.form or Reveal(),
            "seconds": SHOWN_S,
        }

    def post(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        closet = answer_of(request, f"closets/{kwargs['id']}")
        asked = request.POST.get("code", "")
        code = next((one for one in _codes_of(request, closet) if str(one["id"]) == asked), None)
        if code is None:
            raise NotFound
        self.form = Reveal(request.POST)
        self.form.is_valid()  # the API says what is wrong
        try:
            revealed = change_of(request, "POST", f"secrets/{code['id']}/reveal", self.form.body, None)
        except ProblemError as problem:
            return answer_refused(self, request, self.form, problem, **kwargs)
        self.form = None
        revealed = {"label": revealed["label"], "code": Unlogged(revealed["code"])}
        shown = {"on": None, **self.context(request, **kwargs), "revealed": revealed}
        answer = self.answer(request, shown)
        answer["Refresh"] = f"{SHOWN_S}; url={reverse('codes', kwargs=kwargs)}"
        return answer


def _codes_of(request: HttpRequest, closet: dict[str, Any]) -> list[dict[str, Any]]:
    """Labels of the codes of the closet and of its whole site; never the codes themselves."""
    kept = answer_of(request, "secrets", site_id=closet["site_id"], order="label", page_size=MOST)["items"]
    return [one for one in kept if one["closet_id"] in (closet["id"], None)]
