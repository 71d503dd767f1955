"""A contract: what is owed, and what was done in the quarter."""

from __future__ import annotations

import datetime as dt
from typing import Any, ClassVar, Final

from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from api.pages.answers import answer_of
from api.pages.page import Page
from api.pages.parts.cases import by_consequence
from api.pages.parts.change_sets import changes
from api.pages.printed import answer_pdf, pdf
from sites.models import Contract

from .contract_report import report_of

COVERAGES: Final = 500


class Contracted(Page):
    """What a page and a report say alike, as far as each is long."""

    shows = Contract
    most_sites: ClassVar[int]
    most_cases: ClassVar[int]
    most_changes: ClassVar[int]

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        contract_id, today = kwargs["id"], timezone.localdate()
        of = {"contract_id": contract_id}
        contract = answer_of(request, f"contracts/{contract_id}", expand="customer")
        sites = answer_of(
            request,
            "sites",
            **of,
            covered_on=today,
            page_size=self.most_sites,
            count="true",
            expand="open_findings",
        )
        past = {**of, "verdict": "probably_past"}
        cases = answer_of(
            request, "cases", **past, order="-severity", page_size=self.most_cases, expand="site"
        )
        quarter = quarter_of(today)
        since = dt.datetime.combine(quarter, dt.time(), timezone.get_current_timezone()).isoformat()
        return {
            "today": today,
            "contract": contract,
            "customer": contract["customer"],
            "sites": sites["items"],
            "site_count": sites["count"],
            **({} if sites["items"] else self._lapse(request, of, today)),
            "counts": answer_of(request, "cases/counts", **past),
            "groups": by_consequence(cases["items"]),
            "here": len(cases["items"]),
            "is_cut": cases["next"] is not None,
            "quarter": quarter,
            "opened": answer_of(request, "cases/counts", **of, cleared="any", opened_from=since),
            "cleared": answer_of(request, "cases/counts", **of, cleared="yes", cleared_from=since),
            **changes(request, self.most_changes, **of, happened_from=quarter),
            **self._visits(request, of, quarter),
        }

    def _visits(self, request: HttpRequest, of: dict[str, Any], since: dt.date) -> dict[str, Any]:
        """Who was where, and what was tested and changed then."""
        found = answer_of(
            request,
            "visits",
            **of,
            visited_from=since,
            order="-visited_on",
            page_size=self.most_changes,
            expand="site,closet,done",
        )
        return {"visits": found["items"], "more_visits": found["next"] is not None}

    def _lapse(self, request: HttpRequest, of: dict[str, Any], today: dt.date) -> dict[str, Any]:
        """Where it covers no site today: the last day on which it did, the first on which it will."""
        found = answer_of(request, "coverages", **of, page_size=COVERAGES)["items"]
        ends = [dt.date.fromisoformat(one["end_day"]) for one in found if one["end_day"]]
        begins = [dt.date.fromisoformat(one["first_day"]) for one in found]
        return {
            "last_day": max((day - dt.timedelta(days=1) for day in ends if day <= today), default=None),
            "first_day": min((day for day in begins if day > today), default=None),
        }


class ContractPage(Contracted):
    template_name = "pages/contract.html"
    most_sites = 100
    most_cases = most_changes = 20


class ContractPdf(Contracted):
    """The report for the customer."""

    most_sites = most_cases = most_changes = 500

    def answer(self, request: HttpRequest, shown: dict[str, Any]) -> HttpResponse:  # noqa: ARG002
        contract_id = shown["contract"]["id"]
        return answer_pdf(pdf("contract.typ", report_of(shown)), f"contract-{contract_id}")


def quarter_of(day: dt.date) -> dt.date:
    """The first day of its quarter."""
    return day.replace(month=day.month - (day.month - 1) % 3, day=1)
