"""The fleet: what a manager decides this week."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any, Final

from django.http import HttpRequest
from django.utils import timezone

from api.conventions import fields
from api.conventions.filters import LONGEST_CURSOR
from api.conventions.serializers import QuerySerializer
from api.pages.answers import answer_of
from api.pages.page import Page
from api.pages.parts.cases import by_consequence
from api.pages.parts.change_sets import drafts
from sites.access.abilities import Ability

CASES: Final = 20
"""On one page: each is some 3 kB."""
DRAFTS: Final = 10
CONTRACTS: Final = 50

Query = dict[str, Any]
SHOWN: Final[dict[str, tuple[str, Callable[[str], Query]]]] = {
    "past": ("Past or probably past", lambda _: {"verdict": "probably_past", "order": "-severity"}),
    "all": ("All that is open", lambda _: {"order": "-severity"}),
    "new": ("New", lambda since: {"opened_from": since, "order": "-opened_at"}),
    "changed": ("Changed", lambda since: {"changed_since": since, "order": "-changed_at"}),
}
"""Which cases can be shown: their heading, and what the API is asked, given since when."""


class FleetQuery(QuerySerializer):
    show = fields.Choice(choices=list(SHOWN), default="past", help_text="Which cases.")
    cursor = fields.Text(required=False, max_length=LONGEST_CURSOR, help_text="Where the page before ended.")


class FleetPage(Page):
    template_name = "pages/fleet.html"
    query = FleetQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        since = last_monday(timezone.localtime())
        heading, asked = SHOWN[self.asked["show"]]
        query = asked(since.isoformat())
        found = answer_of(
            request, "cases", **query, page_size=CASES, expand="site", cursor=self.asked.get("cursor")
        )
        counts = self._counts(request, **query)
        return {
            "show": self.asked["show"],
            "heading": heading,
            "groups": by_consequence(found["items"], counts["by_severity"]),
            "here": len(found["items"]),
            "counts": counts,
            "next": found["next"],
            "is_first": "cursor" not in self.asked,
            "open": self._counts(request),
            "since": since,
            "new": self._counts(request, opened_from=since.isoformat()),
            "changed": self._counts(request, changed_since=since.isoformat()),
            "cleared": self._counts(request, cleared="yes", cleared_from=since.isoformat()),
            **(drafts(request, DRAFTS, count="true") if self.principal.may(Ability.WRITE_RECORD) else {}),
            **tests_to_come(request),
            **self._contracts(request),
        }

    def _counts(self, request: HttpRequest, **query: Any) -> Any:
        return answer_of(
            request, "cases/counts", **{key: one for key, one in query.items() if key != "order"}
        )

    def _contracts(self, request: HttpRequest) -> dict[str, Any]:
        found = answer_of(request, "contracts", page_size=CONTRACTS, expand="customer")
        named = [{**one, "name": one["reference"]} for one in found["items"]]
        return {"contracts": named, "more_contracts": found["next"] is not None}


def tests_to_come(request: HttpRequest) -> dict[str, Any]:
    """Tests that are due by the end of the month, with those that are overdue."""
    until = end_of_month(timezone.localdate())
    found = answer_of(request, "due-tests", due_until=until, page_size=1, count="true")
    return {
        "tests_due": found["count"],
        "tests_due_capped": found["count_is_capped"],
        "tests_due_until": until,
    }


def end_of_month(day: dt.date) -> dt.date:
    """Its last day."""
    return (day.replace(day=1) + dt.timedelta(days=31)).replace(day=1) - dt.timedelta(days=1)


def last_monday(now: dt.datetime) -> dt.datetime:
    """The beginning of the last Monday before today: on a Monday one looks back on a week."""
    today = now.replace(hour=0, minute=0, second=0, microsecond=0)
    return today - dt.timedelta(days=today.weekday() or 7)
