"""Tests that are due, today or as of another day: where to go, by when, and for which contract; and the same
as a calendar."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, TypeAlias
from urllib.parse import urlencode

from django import forms
from django.http import HttpRequest, HttpResponse
from rest_framework import serializers

from api.conventions import fields
from api.conventions.filters import LONGEST_CURSOR
from api.conventions.problems import BAD_REQUEST, ProblemError
from api.conventions.serializers import longest
from api.pages.answers import answer_of, change_of, versioned
from api.pages.form_page import Act, Field, answer_refused, see_other
from api.pages.page import OnQuery, Page
from api.pages.templatetags.marks import day
from api.pages.unlogged import Unlogged
from sites.access.abilities import Ability
from sites.models.access import Calendar

from .fleet import end_of_month

RUNS: Final = 100
"""On one page."""
CONTRACTS: Final = 200
"""To choose from; the page of each leads to its own tests."""
_MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip

Answer: TypeAlias = Mapping[str, Any]


class DueTestsQuery(OnQuery):
    contract_id = fields.Id(required=False, help_text="Under this contract.")
    customer_id = fields.Id(required=False)
    site_id = fields.Id(required=False)
    month = fields.Text(required=False, max_length=7, help_text="Due in this month.")
    cursor = fields.Text(required=False, max_length=LONGEST_CURSOR, help_text="Where the page before ended.")

    def to_internal_value(self, data: Any) -> Any:
        """A form sends what is not chosen as a blank."""
        return super().to_internal_value({name: said for name, said in data.items() if said != ""})

    def validate_month(self, said: str) -> dt.date:
        """Its first day."""
        first: dt.date | None
        try:
            first = fields.Day().to_internal_value(f"{said}-01")
        except serializers.ValidationError:
            first = None
        if first is None or said != f"{first:%Y-%m}":
            raise serializers.ValidationError("Expected a month, as in 2027-03.", code="invalid")
        return first


@dataclass(frozen=True)
class Proven:
    """Runs that follow each other in the list and were proven last on the same day."""

    words: str
    runs: list[Answer]


@dataclass(frozen=True)
class Due:
    """What is due at a site on a day under a contract: one visit."""

    on: str
    overdue: bool
    site: Answer
    contract: Answer
    count: int
    proven: list[Proven]


class Make(Act):
    name, title, button = "make", "Have them in your calendar", "Make a calendar"

    name_of_calendar = Field(
        "Name",
        forms.TextInput(attrs={"autocomplete": "off"}),
        "Who or what subscribes to it.",
        longest=longest(Calendar, "name"),
        needed=True,
    )

    @property
    def body(self) -> dict[str, Any]:
        return {"name": self.cleaned_data["name_of_calendar"]}

    def refuse(self, problem: ProblemError) -> None:
        for one in problem.errors:
            self.add_error("name_of_calendar" if one.path == "/name" else None, one.detail)
        if not problem.errors:
            self.add_error(None, problem.detail)


class DueTestsPage(Page):
    """GET lists what is due. POST makes a calendar, whose address stands in that one answer and nowhere else,
    or removes one."""

    template_name = "pages/due_tests.html"
    http_method_names = ["get", "head", "post"]
    query = DueTestsQuery
    acts = (Make,)

    form: Make | None = None
    address: Unlogged | None = None
    is_too_much = False

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        found = self._found(request)
        contracts = self._contracts(request)
        month = self.asked.get("month")
        return {
            "months": _by_month(found["items"]),
            "here": len(found["items"]),
            "count": found["count"],
            "count_is_capped": found["count_is_capped"],
            "next": self._address(cursor=found["next"]) if found["next"] else "",
            "first": self._address() if "cursor" in self.asked else "",
            "here_address": self._address(cursor=self.asked.get("cursor")),
            "contracts": contracts,
            "of": self._of(),
            "month": f"{month:%Y-%m}" if month else "",
            "month_in_words": _in_words(month) if month else "",
            "only": self._only(request, contracts),
            "is_too_much": self.is_too_much,
            "today": self._address(on=None),
            **self._calendars(request),
        }

    def _found(self, request: HttpRequest) -> Answer:
        try:
            found: Answer = answer_of(
                request,
                "due-tests",
                **self._of(),
                **self._days(),
                as_of=self.on,
                cursor=self.asked.get("cursor"),
                page_size=RUNS,
                count="true",
                expand="site,run,contract",
            )
        except ProblemError as problem:
            # The form leads here: it chooses a day, and the sites of all contracts would be computed
            if {one.path for one in problem.errors} != {"as_of"}:
                raise
            self.is_too_much = True
            found = {"items": [], "count": 0, "count_is_capped": False, "next": None}
        return found

    def post(self, request: HttpRequest, *_args: Any, **kwargs: Any) -> HttpResponse:
        self.begin(request)
        self.principal.require(Ability.CALENDARS)
        if request.POST.get("act") == "remove":
            return self._remove(request)
        if request.POST.get("act") != Make.name:
            raise ProblemError(BAD_REQUEST, "The form names no act of this page; it has make and remove.")
        self.form = Make(request.POST)
        self.form.is_valid()  # the API says what is wrong
        try:
            made = change_of(request, "POST", "calendars", self.form.body, None)
        except ProblemError as problem:
            return answer_refused(self, request, self.form, problem, **kwargs)
        self.form, self.address = None, Unlogged(made["address"])
        return self.show(request, **kwargs)

    def _remove(self, request: HttpRequest) -> HttpResponse:
        asked = request.POST.get("calendar", "")
        mine = answer_of(request, "calendars")["items"]
        if any(str(one["id"]) == asked for one in mine):  # else it is gone already
            calendar = versioned(request, f"calendars/{asked}")
            change_of(request, "DELETE", f"calendars/{asked}", None, calendar.version)
        return see_other(f"{self._address(cursor=self.asked.get('cursor'))}#calendar")

    def _of(self) -> dict[str, int]:
        """What the list is of."""
        names = ("contract_id", "customer_id", "site_id")
        return {name: self.asked[name] for name in names if name in self.asked}

    def _days(self) -> dict[str, dt.date]:
        month = self.asked.get("month")
        if month is None:
            return {}
        return {"due_from": month, "due_until": end_of_month(month)}

    def _address(self, **more: Any) -> str:
        month = self.asked.get("month")
        asked = {**self._of(), "month": f"{month:%Y-%m}" if month else None, "on": self.on, **more}
        query = urlencode({name: one for name, one in asked.items() if one})
        return f"/tests/due?{query}" if query else "/tests/due"

    def _contracts(self, request: HttpRequest) -> list[Answer]:
        """Those to choose from; the one that is chosen is among them."""
        found: list[Answer] = answer_of(request, "contracts", page_size=CONTRACTS, expand="customer")["items"]
        chosen = self.asked.get("contract_id")
        if chosen is not None and chosen not in {one["id"] for one in found}:
            found.insert(0, answer_of(request, f"contracts/{chosen}", expand="customer"))
        return found

    def _only(self, request: HttpRequest, contracts: Iterable[Answer]) -> list[tuple[str, Answer]]:
        """The things that the list is of, by kind, each with a name."""
        only: list[tuple[str, Answer]] = []
        for kind, resource in (("contract", "contracts"), ("customer", "customers"), ("site", "sites")):
            row_id = self._of().get(f"{kind}_id")
            if row_id is None:
                continue
            if kind == "contract":
                name = next(one["reference"] for one in contracts if one["id"] == row_id)
            else:
                name = answer_of(request, f"{resource}/{row_id}")["name"]
            only.append((kind, {"id": row_id, "name": name}))
        return only

    def _calendars(self, request: HttpRequest) -> dict[str, Any]:
        if not self.principal.may(Ability.CALENDARS):
            return {"may_make": False}
        return {
            "may_make": True,
            "address": self.address,
            "form": self.form or Make(),
            "calendars": answer_of(request, "calendars")["items"],
        }


def _by_month(rows: Iterable[Answer]) -> list[tuple[str, list[Due]]]:
    """In the order of the API."""
    return [
        (_in_words(dt.date.fromisoformat(f"{month}-01")), list(_visits(of)))
        for month, of in groupby(rows, key=lambda one: one["due_on"][:7])
    ]


def _visits(rows: Iterable[Answer]) -> Iterator[Due]:
    for _, found in groupby(rows, key=lambda one: (one["due_on"], one["site_id"], one["contract_id"])):
        of = list(found)
        contract = {"id": of[0]["contract_id"], "name": of[0]["contract"]["reference"]}
        yield Due(
            on=day(of[0]["due_on"]),
            overdue=of[0]["overdue"],
            site=of[0]["site"],
            contract=contract,
            count=len(of),
            proven=[
                Proven(words, [one["run"] for one in alike]) for words, alike in groupby(of, key=_last_proof)
            ],
        )


def _last_proof(one: Answer) -> str:
    if one["proven_on"] is None:
        return "No complete proof"
    return f"{'Surveyed' if one['surveyed'] else 'Last proven'} on {day(one['proven_on'])}"


def _in_words(month: dt.date) -> str:
    return f"{_MONTHS[month.month - 1]} {month.year}"
