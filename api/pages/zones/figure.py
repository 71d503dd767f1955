"""A figure worked out: its inputs, what was added up or followed along the run, and each step to its limit,
so that somebody with a pencil can follow it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.http import HttpRequest

from api.conventions.problems import NOT_FOUND, ProblemError
from api.pages.addresses import page_of
from api.pages.answers import answer_of
from api.pages.page import OnQuery, Page
from sites.wording import capital, did_you_mean, listed
from zones.electrical.subjects import SubjectKind
from zones.electrical.verdicts import Verdict
from zones.limits.amounts import percent
from zones.limits.registry import LIMITS
from zones.loads.explanations.worked import number
from zones.loads.wording import headroom_words
from zones.subjects import SUBJECTS

KINDS: Final = {kind.word: kind for kind in SUBJECTS}
CODES: Final = [limit.code for limit in LIMITS]
PLACES: Final = (
    ("Decided at", "place"),
    ("Low estimate, at", "low_place"),
    ("High estimate, at", "high_place"),
)


@dataclass(frozen=True)
class Cell:
    """A value of a table as it is read. is_number: it stands under its like, to be compared."""

    text: str
    is_number: bool


@dataclass(frozen=True)
class Shown:
    """A table of the calculation. headings: with their units."""

    title: str
    headings: tuple[Cell, ...]
    rows: tuple[tuple[Cell, ...], ...]


class FigurePage(Page):
    template_name = "pages/figure.html"
    query = OnQuery

    def context(self, request: HttpRequest, **kwargs: Any) -> dict[str, Any]:
        code, kind = _known("code", kwargs["code"], CODES), _known("kind", kwargs["kind"], KINDS)
        resource = SUBJECTS[KINDS[kind]].resource
        load = answer_of(request, f"{resource}/{kwargs['id']}/load", as_of=self.on, code=code, explain="true")
        if not load["items"] and not load["not_computed"]:
            raise ProblemError(
                NOT_FOUND, f"{load['subject']['name']} has no figure {code} on {load['as_of']}."
            )
        site = answer_of(request, f"sites/{load['site_id']}")
        figure = next(iter(load["items"]), None)
        context = {
            "load": load,
            "title": next(limit.title for limit in LIMITS if limit.code == code),
            "figure": figure,
            "way": [("site", site)]
            if kind == SubjectKind.SITE.word
            else [("site", site), (kind, load["subject"])],
        }
        if figure is None:
            return context
        worked = figure["calculation"]
        return {
            **context,
            "finding": page_of("finding", figure["finding_id"]) if figure["finding_id"] else "",
            "headroom": headroom_words(figure["headroom_likely"]),
            "headroom_worst": headroom_words(figure["headroom_worst"]),
            "measured": figure["share_measured_or_marked"] is not None
            and percent(figure["share_measured_or_marked"]),
            "places": _places(figure),
            "worked": worked,
            "inputs": _inputs(worked["inputs"]),
            "tables": [_table(one) for one in worked["tables"]],
            "missing": self._missing(request, figure, load["site_id"]),
            "left_out": load["left_out"],
        }

    def _missing(self, request: HttpRequest, figure: Mapping[str, Any], site_id: int) -> str:
        """Where it cannot be judged: why, and what would settle it."""
        if figure["verdict"] != Verdict.CANNOT_TELL.name.lower():
            return ""
        survey = answer_of(request, f"sites/{site_id}/survey", as_of=self.on)
        wanted = figure["code"], figure["subject"]["kind"], figure["subject"]["id"]
        for one in survey["items"]:
            of = one["figure"]
            if (of["code"], of["subject"]["kind"], of["subject"]["id"]) == wanted:
                sentence: str = one["sentence"]
                return sentence
        return ""


def _known(what: str, name: str, names: Any) -> str:
    """The name; a 404 that says which there are, where it is none of them."""
    if name in names:
        return name
    raise ProblemError(
        NOT_FOUND,
        f"There is no {what} {name!r} of figures.{did_you_mean(name, names)} "
        f"There are: {listed(sorted(names), most=60)}.",
    )


def _places(figure: Mapping[str, Any]) -> list[tuple[str, str, Mapping[str, Any]]]:
    """Where the estimates are decided: label, kind and place; each place once."""
    found: list[tuple[str, str, Mapping[str, Any]]] = []
    for label, name in PLACES:
        place = figure[name]
        if place and place["name"] and (name == "place" or place != figure["place"]):
            found.append((label, place["kind"], place))
    return found


def _inputs(inputs: list[Mapping[str, Any]]) -> Shown:
    headings = (
        Cell("Input", is_number=False),
        *(Cell(capital(name), is_number=True) for name in ("low", "likely", "high")),
        Cell("How it is known", is_number=False),
    )
    rows = (
        (
            Cell(one["name"], is_number=False),
            *(Cell(number(one[name], one["unit"]), is_number=True) for name in ("low", "likely", "high")),
            Cell(one["known"], is_number=False),
        )
        for one in inputs
    )
    return Shown("Inputs", headings, tuple(rows))


def _table(table: Mapping[str, Any]) -> Shown:
    columns = table["columns"]
    of_numbers = {
        column["key"]
        for column in columns
        if any(isinstance(row[column["key"]], float) for row in table["rows"])
    }
    return Shown(
        title=table["title"],
        headings=tuple(
            Cell(
                capital(f"{one['name']} [{one['unit']}]" if one["unit"] else one["name"]),
                one["key"] in of_numbers,
            )
            for one in columns
        ),
        rows=tuple(
            tuple(_cell(row[one["key"]], is_number=one["key"] in of_numbers) for one in columns)
            for row in table["rows"]
        ),
    )


def _cell(value: Any, *, is_number: bool) -> Cell:
    return Cell(value if isinstance(value, str) else number(value), is_number)
