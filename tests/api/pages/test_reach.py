"""The reach: where bar, dot and stroke stand. Expected places are worked by hand: 140 px for 0 to 1.5."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from api.pages.drawings.reach import reach
from zones.electrical.estimates import Estimate, Estimates
from zones.electrical.verdicts import Verdict
from zones.limits.registry import LIMITS, limit_by_code


def mark(code: str, values: tuple[Any, Any, Any], limit: float | None, verdict: Verdict) -> Any:
    estimates = Estimates(*(Estimate(value, limit) for value in values))
    return ET.fromstring(reach(limit_by_code(code), estimates, verdict))


def part(svg: Any, name: str) -> Any:
    return next((one for one in svg if name in one.get("class", "").split()), None)


def ends(svg: Any) -> tuple[float, float]:
    bar = part(svg, "bar")
    return float(bar.get("x")), float(bar.get("x")) + float(bar.get("width"))


def test_a_greatest_limit_stands_at_two_thirds_and_past_lies_right_of_it() -> None:
    svg = mark("supply_current", (1.74, 1.83, 1.92), 1.6, Verdict.PAST)
    # Share of the width: the figure over the limit, over 1.5
    assert part(svg, "limit").get("d").startswith("M93.33 ")
    assert ends(svg) == pytest.approx((101.5, 112.0))
    assert float(part(svg, "dot").get("cx")) == pytest.approx(106.75)
    assert part(svg, "bar").get("fill") == part(svg, "dot").get("stroke") != part(svg, "dot").get("fill")


def test_of_a_minimum_the_lower_voltage_lies_further_right() -> None:
    svg = mark("run_voltage", (20.5, 20.3, 19.0), 18.0, Verdict.NEAR)
    # Share of the width: 1 less the margin over the minimum, over 1.5
    assert ends(svg) == pytest.approx((80.37, 88.15), abs=0.01)
    assert float(part(svg, "dot").get("cx")) == pytest.approx(81.41)
    assert part(svg, "bar").get("fill") != part(svg, "dot").get("fill")


def test_a_level_counts_its_margin_over_six_decibels() -> None:
    code = next(one.code for one in LIMITS if one.unit == "dB" and one.is_minimum and not one.is_advice)
    svg = mark(code, (3.0, 3.0, 3.0), 0.0, Verdict.WITHIN)
    # 1 - 3/6 = 0.5 of 1.5
    assert float(part(svg, "dot").get("cx")) == pytest.approx(46.67)
    assert ends(svg)[1] - ends(svg)[0] == pytest.approx(3.0)


def test_without_a_limit_there_is_no_stroke_and_the_bar_is_dashed() -> None:
    svg = mark("supply_current", (0.2, 0.4, 1.0), None, Verdict.CANNOT_TELL)
    assert part(svg, "limit") is None
    assert part(svg, "bar").get("stroke-dasharray") == "3 2"
    assert "not recorded" in svg.find("title").text


def test_what_nothing_is_known_of_is_a_question_mark() -> None:
    svg = mark("run_voltage", (None, None, None), 18.0, Verdict.CANNOT_TELL)
    assert part(svg, "bar") is None
    assert part(svg, "said").text == "?"


def test_counted_faults_are_a_number() -> None:
    code = next(one.code for one in LIMITS if one.counts_faults)
    assert part(mark(code, (2, 2, 2), 0.0, Verdict.PAST), "said").text == "2"


@pytest.mark.parametrize(("high", "shown"), [(2.4, False), (2.41, True)])  # 1.5 times 1.6 A is the end
def test_only_what_is_off_the_scale_has_an_arrow(high: float, shown: bool) -> None:
    svg = mark("supply_current", (1.0, 1.5, high), 1.6, Verdict.CANNOT_TELL)
    assert (part(svg, "arrow") is not None) is shown
    assert ends(svg)[1] == pytest.approx(140)


def test_an_estimate_without_a_stable_solution_is_off_the_scale() -> None:
    none = Estimate(None, 18.0, overloaded=True)
    estimates = Estimates(Estimate(20.0, 18.0), none, none)
    svg = ET.fromstring(reach(limit_by_code("run_voltage"), estimates, Verdict.PROBABLY_PAST))
    assert part(svg, "arrow") is not None


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: str(limit.code))
def test_every_limit_has_a_mark_that_the_policy_of_pages_allows(limit: Any) -> None:
    estimates = Estimates(*(Estimate(value, 1.0) for value in (0.5, 1.0, 2.0)))
    text = reach(limit, estimates, Verdict.CANNOT_TELL)
    assert ET.fromstring(text).find("title") is not None
    assert not re.search(r"style|<script|\bon\w+=|href", text)
