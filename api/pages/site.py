"""A site: where to go, what is past, and what the record has of it."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest

from sites.changes.making import today_in
from sites.models import Site

from .addresses import dialled
from .answers import answer_of
from .cases import by_consequence
from .change_sets import drafts, named
from .page import OnQuery, Page

MOST: Final = 500
"""Of closets and zones: what one answer of the API holds."""
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
        site = answer_of(request, f"sites/{site_id}", **today)
        of_site = {"site_id": site_id, "as_of": self.on, "order": "name", "page_size": MOST, **today}
        zones = answer_of(request, "zones", **of_site)
        closets = answer_of(request, "closets", **of_site)
        return {
            "site": site,
            "call": dialled(site["out_of_hours_phone"]),
            "customer": answer_of(request, f"customers/{site['customer_id']}"),
            "contract": self._contract(request, site),
            "closets": closets["items"],
            "zones": zones["items"],
            "is_cut": bool(zones["next"] or closets["next"]),
            "unsettled": [zone for zone in zones["items"] if zone["life_safety"] == "unknown"],
            "life_safety": [zone for zone in zones["items"] if zone["life_safety"] == "yes"],
            **({} if self.on else self._cases(request, site_id)),
            **drafts(request, DRAFTS, site_id=site_id),
            **self._changes(request, site_id),
        }

    def _cases(self, request: HttpRequest, site_id: int) -> dict[str, Any]:
        cases = answer_of(
            request, "cases", site_id=site_id, order="-severity", page_size=CASES, expand="site"
        )
        counts = answer_of(request, "cases/counts", site_id=site_id)
        return {
            "groups": by_consequence(cases["items"]),
            "here": len(cases["items"]),
            "counts": counts,
            "is_cut_cases": cases["next"] is not None,
        }

    def _changes(self, request: HttpRequest, site_id: int) -> dict[str, Any]:
        found = answer_of(
            request, "change-sets", site_id=site_id, state="accepted", order="-happened_on",
            happened_until=self.on, page_size=CHANGES, count="true",
        )  # fmt: skip
        return {"changes": named(found["items"], "change"), "change_count": found["count"]}

    def _contract(self, request: HttpRequest, site: dict[str, Any]) -> dict[str, Any] | None:
        """The one that covers the site on the day."""
        day = self.on or today_in(site["time_zone"])
        for coverage in answer_of(request, "coverages", site_id=site["id"], on=day)["items"]:
            contract = answer_of(request, f"contracts/{coverage['contract_id']}")
            return {**contract, "name": contract["reference"]}
        return None
