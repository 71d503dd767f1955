"""A change set: what was recorded, why and by whom, what it led to, and the rows that it wrote; of a draft,
what it would do."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import chain
from typing import Any, Final
from urllib.parse import urlencode

from django.http import HttpRequest

from api.conventions import fields
from api.conventions.problems import ProblemError
from api.conventions.serializers import QuerySerializer
from api.pages.answers import answer_of, computed_by
from api.pages.page import Page
from sites.models import ChangeSet

from . import operation_lines, record_rows
from .effects import effect_parts
from .row_names import Names, names_of

MOST_STATEMENTS: Final = 50
"""Statements of the change record that one page lists."""
MOST_OPENED: Final = 4
"""Statements whose rows are shown at once, where they are few."""
MOST_ROWS: Final = 40
MOST_LINES: Final = 60
MOST_CASES: Final = 20


class ChangeSetQuery(QuerySerializer):
    cursor = fields.Text(required=False, max_length=1000, help_text="For the next page of the change record.")
    statement = fields.Id(required=False, help_text="The statement of the change record to show the rows of.")
    rows_from = fields.Whole(
        required=False, default=0, min_value=0, max_value=2**31 - 1, help_text="The first row to show of it."
    )
    line = fields.Whole(
        required=False, default=0, min_value=0, max_value=2**31 - 1, help_text="The first line to show."
    )


class ChangeSetPage(Page):
    template_name = "pages/change_set.html"
    shows = ChangeSet
    query = ChangeSetQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        made = answer_of(request, f"change-sets/{kwargs['id']}")
        operations = made["operations"][self.asked["line"] :][:MOST_LINES]
        accepted = made["state"] != "draft"
        statements = self._statements(request, made) if accepted else {"items": [], "next": None}
        opened = self._opened(request, statements["items"])
        referred_to = [record_rows.referred_to(one) for one in opened.values()]
        names = names_of(chain(operation_lines.referred_to(operations), *referred_to), self.principal.scope)
        site = answer_of(request, f"sites/{made['site_id']}") if made["site_id"] else None
        return {
            "made": made,
            "site": site,
            "time_zone": site["time_zone"] if site else "UTC",
            "kind": ChangeSet.Kind(made["kind"]).label,
            "channel": ChangeSet.Channel(made["channel"]).label,
            "purpose": ChangeSet.Purpose(made["purpose"]).label,
            **self._lines(request, made, operations, names),
            **(self._led_to(request, made) if accepted else self._effect(request, made)),
            "statements": [self._statement(one, opened.get(one["id"]), names) for one in statements["items"]],
            "next": statements["next"],
            "here": f"&{urlencode({'cursor': self.asked['cursor']})}" if "cursor" in self.asked else "",
        }

    def _lines(
        self, request: HttpRequest, made: Mapping[str, Any], operations: list[Any], names: Names
    ) -> dict[str, Any]:
        first, count = self.asked["line"], len(made["operations"])
        if not count:
            return {"lines": [], "line_count": 0}
        meant = {one["name"]: one["sentence"] for one in answer_of(request, "operations")["items"]}
        after = first + MOST_LINES
        return {
            "lines": operation_lines.lines(operations, meant, names),
            "first_line": first + 1,
            "line_count": count,
            "next_line": after if after < count else 0,
        }

    def _effect(self, request: HttpRequest, made: Mapping[str, Any]) -> dict[str, Any]:
        try:
            effect = computed_by(request, f"change-sets/{made['id']}/evaluate")
        except ProblemError as problem:
            if problem.kind.status not in (409, 422):
                raise
            return {"no_effect": problem.errors or [{"detail": problem.detail}]}
        return {"effect": effect_parts(effect)}

    def _statements(self, request: HttpRequest, made: Mapping[str, Any]) -> Any:
        return answer_of(
            request,
            "changes",
            change_set_id=made["id"],
            site_id=made["site_id"],
            order="id",
            page_size=MOST_STATEMENTS,
            cursor=self.asked.get("cursor"),
        )

    def _led_to(self, request: HttpRequest, made: Mapping[str, Any]) -> dict[str, Any]:
        if not made["site_id"]:
            return {"cases": [], "cleared": []}
        of_it = {"change_set_id": made["id"], "site_id": made["site_id"]}
        cases = answer_of(request, "cases", **of_it, cleared="any", page_size=MOST_CASES)
        return {
            "cases": cases["items"],
            "more_cases": cases["next"] is not None,
            "cleared": self._cleared(request, made),
        }

    def _cleared(self, request: HttpRequest, made: Mapping[str, Any]) -> list[Any]:
        """The cases that cleared by it. They clear at the recheck that follows it, so they are among the
        first that cleared at the site since."""
        since = answer_of(
            request,
            "cases",
            site_id=made["site_id"],
            cleared="yes",
            cleared_from=made["recorded_at"],
            order="cleared_at",
            page_size=MOST_CASES,
        )
        return [one for one in since["items"] if made["id"] in {by["id"] for by in one["cleared_by"]}]

    def _opened(self, request: HttpRequest, every: list[Any]) -> dict[int, Any]:
        """By id: the statement that is asked for, or all where there are few in all, with their rows."""
        chosen = self.asked.get("statement")
        few = len(every) <= MOST_OPENED and sum(one["row_count"] for one in every) <= MOST_ROWS
        wanted = {one["id"] for one in every if one["id"] == chosen or (few and chosen is None)}
        first = 0 if chosen is None else self.asked["rows_from"]
        return {id_: answer_of(request, f"changes/{id_}", rows_from=first) for id_ in wanted}

    def _statement(self, one: Any, opened: Any, names: Names) -> dict[str, Any]:
        """opened: the statement with its rows; None: it is not opened."""
        chosen = self.asked.get("statement")
        shown: dict[str, Any] = {
            **one,
            "words": record_rows.rows_in_words(one["row_count"], one["table"]),
            "rows": None,
            "is_chosen": chosen == one["id"],
        }
        if opened is not None:
            first = 0 if chosen is None else self.asked["rows_from"]
            rows = record_rows.record_rows(opened, names)[:MOST_ROWS]
            after = first + len(rows)
            shown |= {
                "rows": rows,
                "first": first + 1,
                "last": after,
                "next_rows": after if rows and after < one["row_count"] else 0,
            }
        return shown
