"""A site: where to go, what is past, and what the record has of it."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest

from api.pages.addresses import dialled
from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.parts.cases import by_consequence
from api.pages.parts.change_sets import changes, drafts
from api.pages.parts.life_safety import life_safety
from sites.changes.making import today_in
from sites.models import Site

MOST: Final = 500
"""Most closets and zones on a page: as many as one answer of the API holds."""
CASES: Final = 20
DRAFTS: Final = 10
CHANGES: Final = 5


class SitePage(Page):
    template_name = "pages/site.html"
    query = OnQuery
    shows = Site

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        site_id = kwargs["id"]
        # What is open is open today; what was past on another day is not kept as of that day
        today = {} if self.on else {"expand": "open_findings"}
        expand = "customer" if self.on else "customer,open_findings"
        site = answer_of(request, f"sites/{site_id}", expand=expand)
        of_site = {"site_id": site_id, "as_of": self.on, "order": "name", "page_size": MOST, **today}
        zones = answer_of(request, "zones", **of_site)
        closets = answer_of(request, "closets", **of_site)
        return {
            "site": site,
            "call": dialled(site["out_of_hours_phone"]),
            "contract": self._contract(request, site),
            "closets": closets["items"],
            "zones": zones["items"],
            "is_cut": bool(zones["next"] or closets["next"]),
            **life_safety(zones["items"]),
            **({} if self.on else self._cases(request, site_id)),
            **drafts(request, DRAFTS, site_id=site_id),
            **changes(request, CHANGES, site_id=site_id, happened_until=self.on),
        }

    def _cases(self, request: HttpRequest, site_id: int) -> dict[str, Any]:
        cases = answer_of(
            request, "cases", site_id=site_id, order="-severity", page_size=CASES, expand="site"
        )
        return {
            "groups": by_consequence(cases["items"]),
            "here": len(cases["items"]),
            "is_cut_cases": cases["next"] is not None,
        }

    def _contract(self, request: HttpRequest, site: dict[str, Any]) -> dict[str, Any] | None:
        """The one that covers the site on the day."""
        day = self.on or today_in(site["time_zone"])
        for coverage in answer_of(request, "coverages", site_id=site["id"], on=day, expand="contract")[
            "items"
        ]:
            contract = coverage["contract"]
            return {**contract, "name": contract["reference"]}
        return None
