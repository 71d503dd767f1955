"""The tags: words and marks as pages show them."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from django.template import engines

from api.pages.templatetags.marks import with_units
from zones.electrical.verdicts import Verdict
from zones.limits.registry import LIMITS
from zones.loads.wording import VERDICT_WORDS

FIGURE = {
    "code": "supply_current",
    "verdict": "past",
    "low": 1.7385,
    "likely": 1.83,
    "high": 1.9215,
    "limit": 1.6,
    "low_limit": 1.6,
    "high_limit": 1.6,
    "overloaded": [],
    "bounds": [],
}


def shown(text: str, **context: Any) -> str:
    return engines["django"].from_string("{% load marks %}" + text).render(context)


@pytest.mark.parametrize("code", [*(verdict.name.lower() for verdict in Verdict)])
def test_a_verdict_is_its_word_with_a_class_of_its_own(code: str) -> None:
    words = VERDICT_WORDS[Verdict[code.upper()]]
    expected = f'<span class="verdict {code.replace("_", "-")}">{words[0].upper()}{words[1:]}</span>'
    assert shown("{% verdict code %}", code=code) == expected


def test_a_figure_has_the_rounding_of_its_limit() -> None:
    assert shown("{% figure one %}", one=FIGURE) == "1.83 A (1.74 A to 1.92 A); limit 1.60 A"


def test_the_reach_of_an_answer_is_titled_with_figure_and_limit() -> None:
    text = shown("{% reach one %}", one=FIGURE)
    assert "<title>1.83 A (1.74 A to 1.92 A); limit 1.60 A</title>" in text
    assert 'class="dot past"' in text


def test_an_overloaded_estimate_reaches_off_the_scale() -> None:
    assert 'class="arrow' not in shown("{% reach one %}", one=FIGURE)
    assert 'class="arrow' in shown("{% reach one %}", one={**FIGURE, "high": None, "overloaded": ["high"]})


@pytest.mark.parametrize("value", [date(2025, 3, 14), "2025-03-14", "2025-03-14T10:00:00Z"])
def test_a_day_is_written_out(value: Any) -> None:
    assert shown("{{ one|day }}", one=value) == "14 Mar 2025"


def test_unknown_is_not_recorded_and_nought_is_recorded() -> None:
    assert [shown("{{ one|recorded }}", one=one) for one in (None, "", 0)] == ["not recorded"] * 2 + ["0"]
    assert shown("{{ one|day }}", one=None) == "not recorded"


def test_a_name_leads_to_a_page_that_exists_and_is_escaped() -> None:
    thing = {"id": 7, "name": "<Quay>"}
    assert shown('{% name_of "site" one %}', one=thing) == '<a href="/sites/7">&lt;Quay&gt;</a>'
    assert shown('{% name_of "nothing" one %}', one=thing) == "<b>&lt;Quay&gt;</b>"


def test_what_is_counted_has_the_rounding_of_its_limit() -> None:
    counted = next(limit for limit in LIMITS if limit.counts_faults and limit.unit == "A")
    one = {**FIGURE, "code": counted.code, "low": 0.0175, "likely": 0.0175, "high": 0.0175}
    assert f">{counted.number(0.0175)}</text>" in shown("{% reach one %}", one=one)
    assert counted.number(0.0175) == "0.018 A"


@pytest.mark.parametrize(
    ("html", "expected"),
    [
        ("1.83 A (1.74 A to 1.92 A)", "1.83~A (1.74~A to 1.92~A)"),
        ("<p>185 W of <b>200 W</b>, 12 % spare</p>", "<p>185~W of <b>200~W</b>, 12~% spare</p>"),
        ("3 Apes, 12 wall speakers, row 5 away", "3 Apes, 12 wall speakers, row 5 away"),
        ("on 14 Mar 2025, 12 Marshals", "on 14~Mar 2025, 12 Marshals"),
        ('<input value="raised to 5 W"> 5 W', '<input value="raised to 5 W"> 5~W'),
        ("<textarea name=a>raised to 5 W</textarea> 5 W", "<textarea name=a>raised to 5 W</textarea> 5~W"),
    ],
)
def test_a_number_keeps_its_unit_but_in_what_is_sent(html: str, expected: str) -> None:
    """~: a space at which no line ends."""
    assert with_units(html).replace("\N{NO-BREAK SPACE}", "~") == expected
