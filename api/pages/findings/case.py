"""A case: the findings that one change caused on a site, as one thing to decide, with its ticket."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django.http import HttpRequest

from api.conventions.serializers import longest
from api.pages.answers import answer_of, versioned
from api.pages.form_page import Act, FormPage, line_field
from sites.access.abilities import Ability
from zones.limits.registry import limit_by_code
from zones.models import Case

from .finding import zones_of
from .named_changes import named_changes, since
from .to_do import to_do

MOST: Final = 100
"""Findings that one page lists."""


class SetTicket(Act):
    name, title, button = "ticket", "Note the ticket", "Store the ticket"
    sends_blank = True
    ticket_reference = line_field(
        "Ticket",
        "Its number in your ticketing system, as in T-40718; blank removes it.",
        longest=longest(Case, "ticket_reference"),
    )


class CasePage(FormPage):
    template_name = "pages/case.html"
    shows = Case
    writes = Ability.WRITE_FINDINGS
    acts = (SetTicket,)
    done = "ticket"
    watched = ("ticket_reference", "ticket_by")

    def resource(self, **kwargs: Any) -> str:
        return f"cases/{kwargs['id']}"

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        found = versioned(request, self.resource(**kwargs))
        case = found.data
        site = answer_of(request, f"sites/{case['site_id']}")
        every = answer_of(
            request,
            "findings",
            case_id=case["id"],
            site_id=case["site_id"],
            state="open,acknowledged,deferred,cleared",
            order="-severity",
            page_size=MOST,
        )
        findings = every["items"]
        first = (case["findings"] or findings or [None])[0]
        return {
            "case": case,
            "site": site,
            "open": [one for one in findings if not one["cleared_at"]],
            "cleared": [one for one in findings if one["cleared_at"]],
            "is_cut": every["next"] is not None,
            "most": MOST,
            "first": first,
            "changes": _changes(first, site),
            "since": since(first["attribution"]) if first else "",
            "zones": zones_of(case),
            "to_do": to_do(case, site),
            **self.form_parts(found),
        }

    def acts_now(self, thing: Any) -> list[Act]:
        return [SetTicket(initial={"ticket_reference": thing["ticket_reference"]})]

    def meanwhile(self, seen: Mapping[str, Any], thing: Any) -> list[str]:
        if all(seen.get(name) == thing[name] for name in self.watched):
            return []
        ticket = thing["ticket_reference"]
        return [f"{thing['ticket_by']} {f'set the ticket to {ticket}' if ticket else 'removed the ticket'}."]


def _changes(finding: Mapping[str, Any] | None, site: Mapping[str, Any]) -> list[Any]:
    """The change that all findings of a case have in common, with the figure of the worst."""
    if finding is None:
        return []
    limit = limit_by_code(finding["code"]).shown_in(site["length_unit"])
    return named_changes(finding["attribution"], limit)
