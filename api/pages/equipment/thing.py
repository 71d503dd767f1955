"""What the pages of a supply, an amplifier, an endpoint and a switch have in common: a thing in a closet with
its figures, the zones that depend on it, what is recorded of it, what it feeds and what feeds it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from django.db.models import Model
from django.http import HttpRequest

from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from api.pages.parts.facts import Fact, facts_of
from api.pages.parts.figures import listed
from api.pages.parts.life_safety import life_safety
from sites.models import DeviceModel
from zones.electrical.verdicts import Verdict

MOST: Final = 500
"""Most runs, points, outputs and findings on a page: as many as one answer of the API holds."""

Answer = Mapping[str, Any]
Subject = tuple[str, int]
"""The word of its kind, and its id."""


@dataclass(frozen=True)
class Line:
    """One thing at the other end of a cable. kind, thing: whose page its name leads to; said: how it is
    connected; zone: the zone that hears it; verdict: the worst of its open findings, blank where none is."""

    kind: str
    thing: Answer
    said: str = ""
    zone: Answer | None = None
    verdict: str = ""


@dataclass(frozen=True)
class Part:
    """Lines below a heading. nothing: what stands there where there is none."""

    title: str
    lines: tuple[Line, ...]
    nothing: str
    is_cut: bool = False


class EquipmentPage(Page):
    """`kind`: the word of its subject; `resource`: where the API has it; `models`: it and its dated facts;
    `recorded`, `rated`: the fields that are shown of it, and of its model."""

    template_name = "pages/equipment.html"
    query = OnQuery

    kind: ClassVar[str]
    resource: ClassVar[str]
    models: ClassVar[tuple[type[Model], ...]]
    expand: ClassVar[str] = "site,closet,model"
    recorded: ClassVar[tuple[str, ...]]
    rated: ClassVar[tuple[str, ...]]

    findings: FindingsHere
    site_id: int
    beside: set[Subject]
    """What else is judged with it: its outputs, its ports, the port that it is on. `parts()` adds to it."""

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        path = f"{self.resource}/{kwargs['id']}"
        thing = answer_of(request, path, as_of=self.on, expand=self.expand)
        load = answer_of(request, f"{path}/load", as_of=self.on)
        site, self.site_id = thing["site"], thing["site_id"]
        customer = answer_of(request, f"customers/{site['customer_id']}")
        # A finding is open today; what was past on another day is not kept as a finding of that day
        self.findings = FindingsHere(
            []
            if self.on
            else answer_of(request, "findings", site_id=self.site_id, order="-severity", page_size=MOST)[
                "items"
            ]
        )
        self.beside = set()
        parts = self.parts(request, thing)
        of_others = [
            {**one, "title": one["limit_title"], "finding_id": one["id"]}
            for one in self.findings.of(self.beside)
        ]
        every = sorted([*load["items"], *of_others], key=lambda one: -Verdict[one["verdict"].upper()])
        worst = [load["verdict"]] if load["items"] or load["not_computed"] else []
        return {
            "thing": thing,
            "way": [("customer", customer), ("site", site), *self._closet(thing)],
            "load": load,
            "verdict": worst_verdict([*worst, *(one["verdict"] for one in of_others)]),
            "figures": listed(every, self.on, self.findings.changes),
            **life_safety(load["zones"]),
            "facts": self.facts(thing),
            "ratings": self.ratings(thing),
            "parts": parts,
        }

    def facts(self, thing: Answer) -> list[Fact]:
        return facts_of(self.models, self.recorded, thing)

    def ratings(self, thing: Answer) -> list[Fact]:
        model: Answer | None = thing["model"]
        if model is None:
            return [Fact("Model", "")]
        return [Fact("Model", model["name"]), *facts_of((DeviceModel,), self.rated, model)]

    def parts(self, request: HttpRequest, thing: Answer) -> list[Part]:
        """What it feeds or drives, and what feeds it."""
        raise NotImplementedError

    def list_of(self, request: HttpRequest, resource: str, **query: Any) -> tuple[list[Answer], bool]:
        """What of the site the API lists on the day, and whether there is more."""
        found = answer_of(request, resource, site_id=self.site_id, as_of=self.on, page_size=MOST, **query)
        return found["items"], found["next"] is not None

    def runs(self, request: HttpRequest, title: str, nothing: str, **query: Any) -> Part:
        """The runs that the query finds, by name."""
        found, is_cut = self.list_of(request, "runs", expand="zone", **query)
        found.sort(key=lambda run: run["name"].casefold())
        return Part(title, tuple(self.run_line(run) for run in found), nothing, is_cut)

    def run_line(self, run: Answer, said: str = "") -> Line:
        verdict = worst_verdict(one["verdict"] for one in self.findings.of({("run", run["id"])}))
        return Line("run", run, said, run["zone"], verdict)

    def _closet(self, thing: Answer) -> list[tuple[str, Answer]]:
        return [("closet", thing["closet"])] if thing["closet"] else []


class FindingsHere:
    """The open findings of a site, by what they are about."""

    def __init__(self, items: list[Answer]) -> None:
        self.items = items
        self.changes = {one["id"]: one["attribution"]["sentence"] for one in items}

    def of(self, subjects: Collection[Subject]) -> list[Answer]:
        return [one for one in self.items if (one["subject"]["kind"], one["subject"]["id"]) in subjects]


def worst_verdict(words: Iterable[str]) -> str:
    """The worst of some verdicts; blank where there is none."""
    return max(words, key=lambda word: Verdict[word.upper()], default="")
