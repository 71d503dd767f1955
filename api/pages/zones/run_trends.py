"""What was read of a run in the same state over the years, as the API answers its tests: each thing that was
read twice or more has a drawing with a table of what it shows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, Final, TypeAlias

from api.pages.drawings.trend import FILLED, trend
from api.pages.templatetags.marks import day
from sites.wording import counted
from zones.loads.outcomes import Verdict
from zones.models import Test

from .tests_in_words import in_its_digits

MOST_READ: Final = 200
"""Tests of a run that are looked at, the newest: those of some 25 years, at eight a year."""
MOST_TRENDS: Final = 6
MOST_DRAWN: Final = 16
"""Readings of one trend; the earlier ones are on the page of an earlier day."""
LEAST: Final = 2
"""Readings from which on there is something to follow."""

Answer: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True)
class Row:
    day: str
    taken_as: str
    read: str
    expected: str
    verdict: str
    stands_out: bool


@dataclass(frozen=True)
class Trend:
    """change: how it moves over the years, in a sentence. error: what the instruments may be off by, from the
    least to the most. earlier: how many readings are left out here, and until which day they are shown."""

    heading: str
    sentence: str
    change: str
    drawing: str
    rows: tuple[Row, ...]
    error: str
    earlier: int
    earlier_until: date | None


def trends_of(
    tests: Sequence[Answer], told: Sequence[Answer], points: Sequence[int], until: date
) -> dict[str, Any]:
    """tests: of the run in words (`in_words`), the newest first. told: its trends, as the API answers them.
    points: ids, as they follow each other along the run. until: the day that the page shows. Those read most
    often come first, then as their kinds are listed, then the farthest point."""
    read: defaultdict[tuple[Any, ...], list[Answer]] = defaultdict(list)
    for one in reversed(tests):
        if one["unit"]:
            read[_what(one)].append(one)
    kinds, place = list(Test.Kind), {point: number for number, point in enumerate(points)}
    followed = sorted(
        (of for of in read.values() if len(of) >= LEAST),
        key=lambda of: (-len(of), kinds.index(of[0]["kind"]), -place.get(of[0]["point_id"], -1)),
    )
    shown = followed[:MOST_TRENDS]
    changes = {_what(one): one["sentence"] for one in told}
    start = min((_day_of(of[-MOST_DRAWN:][0]) for of in shown), default=until)
    return {
        "trends": [
            _trend(of, changes.get(_what(of[0]), ""), start, until, number)
            for number, of in enumerate(shown, 1)
        ],
        "more_trends": len(followed) - len(shown),
    }


def _what(one: Answer) -> tuple[Any, ...]:
    """What readings have in common that are one trend."""
    return one["kind"], one["point_id"], one["state"], one["signal"]


def _trend(tests: Sequence[Answer], change: str, start: date, until: date, number: int) -> Trend:
    drawn, last = tests[-MOST_DRAWN:], tests[-1]
    earlier = len(tests) - len(drawn)
    heading = _heading(last)
    word = _word(last)
    judged = last["judged"] or word
    sentence = (
        f"Read {counted(len(tests), 'time')} since {day(tests[0]['taken_on'])}. "
        f"The last, on {day(last['taken_on'])}: {last['said']}, {judged}."
    )
    return Trend(
        heading=heading,
        sentence=sentence,
        change=change,
        drawing=trend(
            drawn, start, until, name=f"read-{number}", title=f"{heading}: {word}", sentence=sentence
        ),
        rows=tuple(map(_row, drawn)),
        error=_errors(drawn),
        earlier=earlier,
        earlier_until=_day_of(drawn[0]) - timedelta(days=1) if earlier else None,
    )


def _row(one: Answer) -> Row:
    expected = ""
    if one["expected"] is not None:
        low, likely, high = (in_its_digits(one, one["expected"][end]) for end in ("low", "likely", "high"))
        expected = f"{likely} ({low} to {high})"
    by = f" by {in_its_digits(one, one['outside_by'])}" if one["outside_by"] else ""
    return Row(
        day(one["taken_on"]).replace(" ", "\u00a0"),  # on a phone it would break twice
        Test.TakenAs(one["taken_as"]).label if one["taken_as"] else "",
        one["said"],
        expected,
        f"{_word(one)}{by}",
        one["verdict"] in FILLED,
    )


def _errors(tests: Sequence[Answer]) -> str:
    """``0.006 A to 0.007 A``; blank where none is known."""
    known = sorted((one for one in tests if one["error"]), key=lambda one: one["error"])
    least_and_most = [in_its_digits(one, one["error"]) for one in (*known[:1], *known[-1:])]
    return " to ".join(dict.fromkeys(least_and_most))


def _heading(one: Answer) -> str:
    """``DC voltage at a point, 30, paging, speech``."""
    said = [one["what"]]
    if one["point_id"] is not None:
        said.append(one["at"] or "a point that is not on this page")
    if one["state"]:
        said.append(Test.State(one["state"]).label)
    if one["signal"]:
        said.append(Test.Signal(one["signal"]).label)
    return ", ".join(said)


def _word(one: Answer) -> str:
    return Verdict(one["verdict"]).label if one["verdict"] else "not compared yet"


def _day_of(one: Answer) -> date:
    return date.fromisoformat(one["taken_on"])
