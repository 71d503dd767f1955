"""The drawings of a run: how each length is known, and where each voltage stands. Places are by hand."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from api.pages.drawings.tree import tree
from api.pages.drawings.voltage import BOTTOM, BROKEN, LEFT, RIGHT, TOP, voltage


def three(low: float | None, likely: float | None, high: float | None) -> dict[str, float | None]:
    return {"low": low, "likely": likely, "high": high}


def point(number: int, after: int | None, **facts: Any) -> dict[str, Any]:
    """A speaker behind 10 m, marked, at 22 V."""
    return {
        "id": number, "name": f"P{number}", "after_id": after, "kind": "device", "place": "", "zone": "",
        "device": "ceiling speaker", "count": three(1, 1, 1), "feed_supply": "", "pairs": 1,
        "negative_cut": False, "length_m": three(9.5, 10.0, 10.5), "length_basis": "marked",
        "part_of_m": None, "voltage_v": three(22.5, 22.0, 21.5), "minimum_voltage_v": 18.0,
    } | facts  # fmt: skip


def profile(*points: Mapping[str, Any], unit: str = "m", at_block: float | None = 24.0) -> dict[str, Any]:
    return {"points": points, "length_unit": unit, "voltage_v": three(at_block, at_block, at_block)}


def of_tree(*points: Mapping[str, Any], unit: str = "m") -> Any:
    return ET.fromstring(tree(profile(*points, unit=unit), "run R1", "block B1"))


def of_voltage(*points: Mapping[str, Any], **more: Any) -> Any:
    shown = profile(*points, **more)
    return ET.fromstring(voltage(shown, "run R1", "Near", "Voltage at the last speaker, run R1: 19.4 V."))


def words(svg: Any) -> list[str]:
    """What is written, from the top down."""
    texts = [one for one in svg.iter("text") if one.get("aria-hidden") is None]
    return [one.text for one in sorted(texts, key=lambda one: float(one.get("y")))]


def left_of(svg: Any, said: str) -> float:
    return next(float(one.get("x")) for one in svg.iter("text") if one.text == said)


def paths(svg: Any, css: str) -> Iterator[Any]:
    return (one for one in svg.iter("path") if set(css.split()) <= set(one.get("class", "").split()))


# --- the tree -----------------------------------------------------------------------------------------------


def test_a_chain_is_written_from_the_block_down() -> None:
    svg = of_tree(point(1, None, place="ticket window"), point(2, 1))
    assert words(svg) == [
        "block B1", "10 m, 1 pair", "P1  ticket window", "10 m", "P2  ceiling speaker"
    ]  # fmt: skip
    assert svg.find("title").text == "The cable of run R1 from block B1"
    assert svg.find("desc").text.startswith("2 points, 0 branches;")


@pytest.mark.parametrize(
    ("basis", "stroke"),
    [
        ("measured", {"stroke-width": "5"}),
        ("marked", {"stroke-width": "1.5"}),
        ("drawing", {"stroke-dasharray": "9 4"}),
        ("guessed", {"stroke-dasharray": "0 5.5", "stroke-linecap": "round"}),
    ],
)
def test_how_a_length_is_known_is_seen_in_its_stroke(basis: str, stroke: Mapping[str, str]) -> None:
    svg = of_tree(point(1, None, length_basis=basis))
    (drawn,) = (one for one in paths(svg, "ink") if "V" in one.get("d"))
    assert {name: drawn.get(name) for name in stroke} == stroke


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        ({"length_basis": "guessed"}, "~10 m, 1 pair"),
        ({"length_basis": "unknown", "length_m": three(4, 8, 15)}, "? (4–15 m), 1 pair"),
        # The low estimate of a part of a segment may be the longest
        ({"part_of_m": 12.0, "length_m": three(11.4, 6.0, 0.0)}, "? (0–11.4 m), 1 pair"),
        ({"pairs": None}, "10 m, pairs not recorded"),
        ({"pairs": 3}, "10 m, 3 pairs"),
    ],
)
def test_what_is_said_of_a_segment(facts: Mapping[str, Any], said: str) -> None:
    assert said in words(of_tree(point(1, None, **facts)))


def test_a_length_that_is_not_recorded_is_a_broken_line() -> None:
    known, unknown = of_tree(point(1, None)), of_tree(point(1, None, length_basis="unknown"))
    strokes = [
        next(one.get("d") for one in paths(svg, "ink") if "V" in one.get("d")) for svg in (known, unknown)
    ]
    assert [stroke.count("M") for stroke in strokes] == [1, 4]  # two ends, and two strokes between them


def test_lengths_are_in_the_unit_of_the_site() -> None:
    assert "32.8 ft, 1 pair" in words(of_tree(point(1, None), unit="ft"))


def test_pairs_are_said_where_they_change() -> None:
    svg = of_tree(point(1, None, pairs=2), point(2, 1, pairs=2), point(3, 2, pairs=1))
    assert [said for said in words(svg) if "m" in said and said[0].isdigit()] == [
        "10 m, 2 pairs", "10 m", "10 m, 1 pair"
    ]  # fmt: skip


def test_a_branch_is_indented_and_stands_before_the_cable_that_goes_on() -> None:
    svg = of_tree(point(1, None), point(2, 1), point(3, 2), point(4, 1, place="branch"))
    assert [said[:2] for said in words(svg) if said.startswith("P")] == ["P1", "P4", "P2", "P3"]
    trunk = left_of(svg, "P1  ceiling speaker")
    assert left_of(svg, "P3  ceiling speaker") == trunk
    assert left_of(svg, "P4  branch") == trunk + 18
    assert "3 points, 1 branch" not in svg.find("desc").text
    assert "4 points, 1 branch;" in svg.find("desc").text


def test_a_cut_a_feed_another_zone_and_a_group_are_written_out() -> None:
    svg = of_tree(
        point(1, None),
        point(2, 1, negative_cut=True),
        point(3, 2, feed_supply="supply PS 2", zone="zone Gangway"),
        point(4, 3, kind="uncounted_group", count=three(4, 6, 9)),
        point(5, 4, kind="splice", device="", count=None),
    )
    said = words(svg)
    for expected in (
        "negative cut",
        "fed here by supply PS 2",
        "in zone Gangway",
        "about 6, 4–9",
        "P5  splice",
    ):
        assert expected in said
    without = of_tree(point(1, None))
    bars = [
        next(one.get("d") for one in paths(each, "ink") if one.get("stroke-width") == "4")
        for each in (without, svg)
    ]
    assert [bar.count("M") for bar in bars] == [1, 2]  # the block, and the cut


def test_a_long_chain_needs_no_recursion_and_stays_small() -> None:
    points = [point(number, number - 1 or None) for number in range(1, 501)]
    drawn = tree(profile(*points), "run R1", "block B1")
    assert len(drawn) / 500 < 220


def test_a_name_that_is_too_long_is_cut_with_a_mark() -> None:
    svg = of_tree(point(1, None, place="x" * 200))
    assert words(svg)[-1].endswith("…")


# --- the voltage --------------------------------------------------------------------------------------------


def likely(svg: Any, css: str = "likely") -> list[list[float]]:
    """The ends of every stroke of the curve: x, y, x, y."""
    strokes = [part for path in paths(svg, css) for part in path.get("d").split("M") if part]
    return [[float(number) for number in re.findall(r"[\d.]+", stroke)] for stroke in strokes]


def test_metres_lie_right_and_volts_up() -> None:
    svg = of_voltage(point(1, None), point(2, 1, voltage_v=three(21.0, 20.0, 19.0)))
    first, second = likely(svg)
    assert [first[0], first[2], second[2]] == pytest.approx([LEFT, (LEFT + RIGHT) / 2, RIGHT])

    # In view: 18 V, the minimum, to 24 V at the block, and 0.08 of that beyond each: 17.52 to 24.48 V
    def y(volts: float) -> float:
        return BOTTOM - (volts - 17.52) / 6.96 * (BOTTOM - TOP)

    assert [first[1], first[3], second[3]] == pytest.approx([y(24), y(22), y(20)], abs=0.01)


def test_a_length_that_is_not_recorded_breaks_the_distance() -> None:
    svg = of_voltage(point(1, None), point(2, 1, length_basis="unknown"), point(3, 2))
    strokes = likely(svg)
    ends = sorted({round(x, 1) for stroke in strokes for x in (stroke[0], stroke[2])})
    metre = (RIGHT - LEFT - BROKEN) / 20
    assert ends == pytest.approx([LEFT, LEFT + 10 * metre, LEFT + 10 * metre + BROKEN, RIGHT], abs=0.1)
    assert sum("dasharray" in "".join(path.attrib) for path in paths(svg, "likely")) == 1
    assert "m of cable; broken: length not recorded" in words(svg)


def test_branches_are_thin() -> None:
    svg = of_voltage(point(1, None), point(2, 1), point(3, 1, length_m=three(1, 1, 1)))
    assert len(likely(svg, "likely branch")) == 1
    widths = {path.get("class"): path.get("stroke-width") for path in paths(svg, "likely")}
    assert widths == {"ink likely": "2.5", "ink likely branch": "1.25"}


def test_the_band_is_from_the_low_to_the_high_estimate() -> None:
    svg = of_voltage(point(1, None))
    (band,) = paths(svg, "band")
    numbers = [float(one) for one in re.findall(r"[\d.]+", band.get("d"))]
    corners = {(x, y) for x, y in zip(numbers[::2], numbers[1::2], strict=True)}
    assert len({y for x, y in corners if x == RIGHT}) == 2
    assert band.get("fill") == "url(#volts)"


def test_an_estimate_without_a_number_has_no_band_there_and_the_likely_line_stands() -> None:
    svg = of_voltage(point(1, None, voltage_v=three(22.5, 22.0, None)))
    assert not [*paths(svg, "band")]
    assert len(likely(svg)) == 1


def test_no_line_crosses_a_cut_or_a_point_without_a_voltage() -> None:
    nothing = three(None, None, None)
    svg = of_voltage(
        point(1, None), point(2, 1, negative_cut=True), point(3, 2, voltage_v=nothing), point(4, 3)
    )
    assert len(likely(svg)) == 1


def test_every_speaker_has_a_tick_at_the_least_it_needs_and_a_splice_none() -> None:
    svg = of_voltage(point(1, None), point(2, 1, minimum_voltage_v=20.0), point(3, 2, minimum_voltage_v=None))
    (ticks,) = paths(svg, "minimum")
    assert ticks.get("d").count("M") == 2
    assert {"needs 18.0 V", "needs 20.0 V"} <= set(words(svg))


def test_the_point_that_decides_is_named_else_the_lowest() -> None:
    points = point(1, None), point(2, 1, voltage_v=three(21, 20, 19)), point(3, 2)
    assert "P2: 20.0 V" in words(of_voltage(*points))
    judged: Any = ET.fromstring(voltage(profile(*points), "run R1", "Near", "A sentence.", judged_id=3))
    assert "P3: 22.0 V" in words(judged)
    assert judged.find("title").text == "Voltage along run R1: Near"
    assert judged.find("desc").text == "A sentence."


def test_the_name_of_that_point_lies_clear_of_curve_and_band() -> None:
    volts = three(22.5, 22.0, 21.0), three(22.0, 21.6, 20.0), three(21.9, 21.5, 19.5), three(21.8, 21.4, 19.0)
    svg = of_voltage(
        *(point(number, number - 1 or None, voltage_v=each) for number, each in enumerate(volts, 1))
    )
    (name,) = {float(one.get("y")) for one in svg.iter("text") if one.text == "P4: 21.4 V"}
    # It reaches back over the segment that begins at 22 V; in view 17.52 to 24.48 V, as above
    assert name < BOTTOM - (22.0 - 17.52) / 6.96 * (BOTTOM - TOP)


def test_distances_are_in_the_unit_of_the_site() -> None:
    svg = of_voltage(point(1, None, length_m=three(30.48, 30.48, 30.48)), unit="ft")
    # 100 ft: ticks every 20 ft
    assert {"20", "100", "ft of cable from the block"} <= set(words(svg))


@pytest.mark.parametrize("count", [1, 2, 60, 500])
def test_everything_lies_within_the_drawing(count: int) -> None:
    points = [
        point(number, number - 1 or None, length_basis="unknown" if number % 2 else "marked")
        for number in range(1, count + 1)
    ]
    strokes = likely(of_voltage(*points))
    assert all(LEFT - 0.1 <= x <= RIGHT + 0.1 for stroke in strokes for x in stroke[::2])
    ends = sorted(stroke[2] for stroke in strokes)
    assert all(one < other for one, other in pairwise(ends))
