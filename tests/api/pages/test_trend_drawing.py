"""What was read over the years: where dots and bands stand. Places are worked by hand: 120 px of height for
the values below 10 px, and 242 px for the days, from x = 70 to 312."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from api.pages.drawings.trend import trend
from zones.loads.outcomes import Verdict

START = date(2024, 1, 1)
UNTIL = START + timedelta(days=100)


def reading(day: int, value: float, verdict: str | None = "as_expected", **more: Any) -> dict[str, Any]:
    expected = {"low": 22.0, "likely": 23.0, "high": 24.0} if verdict in ("as_expected", "outside") else None
    return {
        "taken_on": (START + timedelta(days=day)).isoformat(),
        "value": value,
        "unit": "V",
        "verdict": verdict,
        "expected": expected,
        "error": None,
        **more,
    }


def drawn(*tests: dict[str, Any]) -> Any:
    return ET.fromstring(trend(tests, START, UNTIL, name="read-1", title="Outside", sentence="The last."))


def parts(svg: Any, css: str) -> list[Any]:
    return [one for one in svg.iter() if css in one.get("class", "").split()]


def places(svg: Any) -> list[tuple[float, float]]:
    """Of the dots, without those of the key."""
    dots = [(float(one.get("cx")), float(one.get("cy"))) for one in parts(svg, "read")]
    return [one for one in dots if one[1] < 130]


def texts(svg: Any) -> list[str]:
    return [one.text for one in svg.iter("text")]


def test_each_reading_stands_at_its_day_and_value() -> None:
    """From 22 V to 24 V with 15 % of 2 V below and above: 21.7 V to 24.3 V, so 23 V is the middle, 70 px
    down, and 23.65 V three quarters up, 40 px down. Day 50 of 100 is the middle."""
    assert places(drawn(reading(0, 23.0), reading(50, 23.65))) == [(70.0, 70.0), (191.0, 40.0)]


def test_what_was_expected_stands_at_that_day_alone() -> None:
    svg = drawn(reading(0, 23.0), reading(100, 23.0))
    (band,), (likely,) = parts(svg, "band"), parts(svg, "likely")
    # 24 V: 0.3/2.6 of 120 px below 10; 22 V: 2.0/2.6 of 120 px lower
    assert band.get("d") == "M62 23.85h16v92.31h-16zM304 23.85h16v92.31h-16z"
    assert likely.get("d") == "M62 70h16M304 70h16"
    assert band.get("fill") == "url(#read-1)"


def test_the_error_of_the_instrument_is_an_upright_line() -> None:
    # From 22.35 V to 23.65 V: half a range of 2.6 V
    (line,) = parts(drawn(reading(0, 23.0, error=0.65)), "error")
    assert line.get("d") == "M70 40V100"


@pytest.mark.parametrize("verdict", [None, *Verdict.values])
def test_a_dot_is_filled_where_it_is_outside_or_failed_and_dashed_where_it_is_not_judged(
    verdict: str | None,
) -> None:
    dot, in_key = parts(drawn(reading(0, 23.0, verdict)), "read")
    is_filled, is_dashed = (
        verdict in (Verdict.OUTSIDE, Verdict.FAILED),
        verdict in (None, Verdict.CANNOT_JUDGE),
    )
    for one in (dot, in_key):
        assert ("ink-fill" in one.get("class").split()) == is_filled
        assert (one.get("stroke-dasharray") is not None) == is_dashed


def test_the_key_names_what_is_drawn_and_nothing_else() -> None:
    assert texts(drawn(reading(0, 23.0)))[-2:] == ["read", "expected that day: low, likely, high"]
    assert texts(drawn(reading(0, 23.0, "passed"), reading(1, 2.0, "failed")))[-2:] == ["passed", "failed"]
    said = texts(drawn(reading(0, 23.0, error=0.1), reading(1, 25.0, "outside"), reading(2, 23.0, None)))
    assert said[-5:-1] == ["read", "outside", "not judged", "error of the instrument"]


def test_amperes_are_seen_near_and_ohms_by_their_millions() -> None:
    amperes = {"low": 0.128, "likely": 0.135, "high": 0.142}
    assert "0 A" not in texts(drawn(reading(0, 0.13, unit="A", expected=amperes)))
    # 15 % of 499 MΩ below 1 MΩ would be less than nothing
    said = texts(drawn(reading(0, 5e8, "passed", unit="Ω"), reading(9, 1e6, "passed", unit="Ω")))
    assert "0 MΩ" in said
    assert not [one for one in said if "-" in one or "e+" in one]


@pytest.mark.parametrize("value", [0.0, 3.0, -12.5, 1e-6, 48_000.0])
@pytest.mark.parametrize("days", [(0,), (0, 0), (0, 100), (100,)])
def test_all_is_drawn_within_the_frame_and_by_attributes_alone(value: float, days: tuple[int, ...]) -> None:
    svg = drawn(*(reading(day, value, error=0.1) for day in days))
    assert (svg.find("title").text, svg.find("desc").text) == ("Outside", "The last.")
    height = float(svg.get("height"))
    for one in svg.iter():
        assert "style" not in one.attrib
        for name, most in (("x", 328.0), ("cx", 328.0), ("y", height), ("cy", height)):
            assert 0 <= float(one.get(name, 0)) <= most
