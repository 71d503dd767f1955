"""A site: where to go, what is past, and what the record has of it."""

from __future__ import annotations

from typing import Any, Final

from django.http import HttpRequest

from sites.changes.making import today_in
from sites.models import Site
from zones.electrical.verdicts import Verdict

from .answers import answer_of
from .causes import causes
from .page import OnQuery, Page

MOST: Final = 500
"""Of closets, zones and findings: what one answer of the API holds."""


class SitePage(Page):
    template_name = "pages/site.html"
    query = OnQuery
    shows = Site

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        site_id = kwargs["id"]
        site = answer_of(request, f"sites/{site_id}")
        zones = answer_of(request, "zones", site_id=site_id, as_of=self.on, order="name", page_size=MOST)
        closets = answer_of(request, "closets", site_id=site_id, as_of=self.on, order="name", page_size=MOST)
        # A finding is open today; what was past on another day is not kept as a finding of that day
        findings = (
            []
            if self.on
            else answer_of(request, "findings", site_id=site_id, order="-severity", page_size=MOST)["items"]
        )
        return {
            "site": site,
            "customer": answer_of(request, f"customers/{site['customer_id']}"),
            "contract": self._contract(request, site),
            "closets": closets["items"],
            "zones": _with_verdicts(zones["items"], findings),
            "is_cut": bool(zones["next"] or closets["next"]),
            "verdict": _worst(findings),
            "groups": causes(one for one in findings if _is_past(one)),
            "others": [one for one in findings if not _is_past(one)],
            "unsettled": [zone for zone in zones["items"] if zone["life_safety"] == "unknown"],
            "life_safety": [zone for zone in zones["items"] if zone["life_safety"] == "yes"],
        }

    def _contract(self, request: HttpRequest, site: dict[str, Any]) -> dict[str, Any] | None:
        """The one that covers the site on the day."""
        day = self.on or today_in(site["time_zone"])
        for coverage in answer_of(request, "coverages", site_id=site["id"], on=day)["items"]:
            contract: dict[str, Any] = answer_of(request, f"contracts/{coverage['contract_id']}")
            return contract
        return None


def _is_past(finding: dict[str, Any]) -> bool:
    return Verdict[finding["verdict"].upper()] >= Verdict.PROBABLY_PAST


def _worst(findings: list[dict[str, Any]]) -> str:
    """The worst verdict of those; blank where there is none."""
    return max((one["verdict"] for one in findings), key=lambda word: Verdict[word.upper()], default="")


def _with_verdicts(zones: list[dict[str, Any]], findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Each zone with the worst verdict of the findings that bear on it."""
    return [
        {
            **zone,
            "verdict": _worst(
                [one for one in findings if zone["id"] in {borne["id"] for borne in one["zones"]}]
            ),
        }
        for zone in zones
    ]
