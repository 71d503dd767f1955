"""The years of a figure: where steps, marks and limit stand. Places are worked by hand: 266 px from x = 58
for the time, 120 px of height for the values, and 24 px above them for each lane of marks."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from api.pages.drawings.years import years
from zones.limits.registry import LIMITS

START = date(2024, 1, 1)
UNTIL = START + timedelta(days=100)


def entry(day: int, likely: float | None, limit: float | None = 2.0, **more: Any) -> dict[str, Any]:
    return {
        "day": (START + timedelta(days=day)).isoformat(),
        "low": likely,
        "likely": likely,
        "high": likely,
        "limit": limit,
        "correction": None,
        **more,
    }


def drawn(*entries: dict[str, Any], code: str = "supply_current", **asked: Any) -> Any:
    limit = next(one for one in LIMITS if one.code == code)
    line = {
        "code": code,
        "subject": {"kind": "supply", "id": 7, "name": "supply PS-1"},
        "unit": limit.unit,
        "limit_is": "at_least" if limit.is_minimum else "at_most",
        "entries": entries,
    }
    asked = {"crossed": (), "title": "Past", "description": "12 speakers added.", **asked}
    return ET.fromstring(years(line, UNTIL, **asked))


def parts(svg: Any, css: str) -> list[Any]:
    return [one for one in svg.iter() if css in one.get("class", "").split()]


def path(svg: Any, css: str) -> str:
    (one,) = parts(svg, css)
    return str(one.get("d"))


def texts(svg: Any) -> list[str]:
    return [one.text for one in svg.iter("text")]


def test_figure_and_limit_are_steps_and_amperes_begin_at_nought() -> None:
    svg = drawn(entry(0, 1.1), entry(50, 1.65))
    # The scale ends at 2.0 A × 1.1 = 2.2 A: 1.1 A is half of it, 1.65 A three quarters; day 50 is the middle
    assert path(svg, "likely") == "M58 84H191V54H324"
    assert path(svg, "limit") == "M58 34.91H191V34.91H324"
    assert "0 A" in texts(svg)


def test_a_limit_that_changes_is_a_step_too_and_has_no_value_in_the_key() -> None:
    svg = drawn(entry(0, 1.1, limit=1.1), entry(50, 1.1, limit=2.0))
    assert path(svg, "limit") == "M58 84H191V34.91H324"
    assert "limit" in texts(svg)
    assert "limit 2.00 A" in texts(drawn(entry(0, 1.1)))


def test_of_volts_the_limit_is_in_view_and_not_nought() -> None:
    svg = drawn(entry(0, 22.0, limit=18.0), code="run_voltage")
    # 15 % of 4 V below and above: from 17.4 V to 22.6 V, so 22 V stands 0.6/5.2 of 120 px below the top
    assert path(svg, "likely") == "M58 37.85H324"
    assert "0 V" not in texts(svg)
    assert "minimum 18.0 V" in texts(svg)


def test_the_range_is_a_hatched_band_and_what_is_certain_has_none() -> None:
    svg = drawn(entry(0, 1.1, low=0.55, high=1.65), entry(50, 1.1))
    (band,) = parts(svg, "band")
    assert [band.get(name) for name in ("x", "y", "width", "height")] == ["58", "54", "133", "60"]
    assert band.get("fill") == "url(#hatch-supply_current-supply-7)"


def test_the_key_names_only_what_is_drawn_and_of_what_is_counted_there_is_no_half() -> None:
    counted = texts(drawn(entry(0, 0.0, limit=0.0), entry(50, 1.0, limit=0.0), code="in_service_unproven"))
    assert "low to high" not in counted
    assert {"0", "1"} <= set(counted)
    assert "0.5" not in counted
    assert "low to high" in texts(drawn(entry(0, 1.1, low=1.0, high=1.2)))


def test_marks_are_numbered_and_what_crossed_is_filled() -> None:
    svg = drawn(entry(0, 1.1), entry(50, 2.1), crossed={1})
    first, second = parts(svg, "mark")
    assert first.get("fill") != second.get("fill") == second.get("stroke")
    assert {"1", "2"} <= set(texts(svg))


def test_a_correction_is_a_square() -> None:
    first, second = parts(drawn(entry(0, 1.1), entry(50, 1.2, correction={"id": 4})), "mark")
    assert (first.get("rx"), second.get("rx")) == ("10", "0")


def test_changes_that_touch_are_one_mark_unless_one_crossed() -> None:
    close = [entry(0, 1.1), entry(50, 1.2), entry(51, 1.3), entry(52, 1.4)]
    assert {"1", "2–4"} <= set(texts(drawn(*close)))
    svg = drawn(*close, crossed={2})
    assert {"1", "2", "3", "4"} <= set(texts(svg))
    boxes = [
        tuple(float(one.get(name)) for name in ("x", "y", "width", "height")) for one in parts(svg, "mark")
    ]
    for place, (x, y, width, height) in enumerate(boxes):
        for other_x, other_y, other_width, other_height in boxes[place + 1 :]:
            apart = x + width <= other_x or other_x + other_width <= x
            assert apart or y + height <= other_y or other_y + other_height <= y


def test_where_nothing_is_known_the_line_is_broken_and_says_so() -> None:
    svg = drawn(entry(0, 1.1), entry(25, None), entry(50, 1.1))
    assert path(svg, "likely") == "M58 84H124.5M191 84H324"
    assert "?" in texts(svg)


def test_a_figure_without_any_number_has_no_drawing() -> None:
    line = {"code": "supply_current", "subject": {}, "unit": "A", "entries": [entry(0, None, limit=None)]}
    assert years(line, UNTIL, crossed=(), title="", description="") == ""


@pytest.mark.parametrize("code", [limit.code for limit in LIMITS])
@pytest.mark.parametrize("likely", [0.0, 3.0, -12.5, 1e-6, 48_000.0])
def test_every_limit_is_drawn_within_its_frame_and_by_attributes_alone(code: str, likely: float) -> None:
    svg = drawn(entry(0, likely), entry(100, likely * 2), code=code)
    assert svg.find("title").text == "Past"
    height = float(svg.get("height"))
    for one in svg.iter():
        assert "style" not in one.attrib
        for name, most in (("x", 328.0), ("y", height)):
            assert 0 <= float(one.get(name, 0)) <= most
