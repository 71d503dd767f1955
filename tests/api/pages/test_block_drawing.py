"""The drawing of a block, as a pure function of the rows that the API answers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from api.pages.drawings.block import MOST_HEIGHT, block
from api.pages.drawings.wires import LENGTH, RING, wire
from api.pages.printed import standing_alone
from zones.pair_colours import conductor_colour

SVG = "{http://www.w3.org/2000/svg}"


def wired(side: str, colour: str, of: str, *, zone: str = "", carries: str = "audio +") -> dict[str, Any]:
    return {"side": side, "colour": colour, "pair": 1, "carries": carries, "of": of, "zone": zone}


def row(number: int, *conductors: Mapping[str, Any], clip: str = "in", remark: str = "") -> dict[str, Any]:
    return {"number": number, "clip": clip, "conductors": conductors, "remark": remark}


def through(number: int, run: str = "run R1", **more: Any) -> dict[str, Any]:
    """A row with a wire on each side."""
    return row(
        number,
        wired("equipment", "white-blue", "output 1 of GW 1"),
        wired("field", "blue-white", run, zone="Gangway"),
        **more,
    )


def strips(rows: Sequence[Any], row_count: int = 50) -> tuple[str, ...]:
    return block({"id": 7, "name": "B-1", "row_count": row_count, "rows": rows})


def one_strip(*rows: Any, row_count: int = 50) -> ET.Element:
    (drawn,) = strips(rows, row_count)
    return ET.fromstring(standing_alone(drawn))


def texts(drawn: ET.Element) -> dict[str, tuple[float, float]]:
    """Each text with its place."""
    return {
        one.text or "": (float(one.get("x", "")), float(one.get("y", ""))) for one in drawn.iter(f"{SVG}text")
    }


def shown_by(drawn: ET.Element, use: ET.Element) -> ET.Element:
    (found,) = (one for one in drawn.iter() if one.get("id") == use.get("href", "")[1:])
    return found


def clips(drawn: ET.Element) -> list[ET.Element]:
    every = (shown_by(drawn, use) for use in drawn.iter(f"{SVG}use"))
    return [one for one in every if "-clip-" in one.get("id", "")]


def test_the_columns_are_equipment_clip_field_from_left_to_right() -> None:
    said = texts(one_strip(through(1)))
    equipment, number, field = (said[word][0] for word in ("white-blue", "1", "blue-white"))
    assert equipment < number < field
    assert said["output 1 of GW 1"][0] < number < said["run R1"][0]
    assert said["equipment"][0] < said["clip"][0] < said["field"][0]
    assert "left" not in said
    assert "right" not in said


def test_the_rows_are_in_the_order_of_the_strip_and_what_goes_on_is_said_once() -> None:
    drawn = one_strip(through(1), through(2), through(3, "run R2"))
    said = [one.text for one in drawn.iter(f"{SVG}text")]
    assert [said.count(words) for words in ("run R1", "run R2", "output 1 of GW 1")] == [1, 1, 1]
    places = texts(drawn)
    assert places["1"][1] < places["2"][1] < places["run R2"][1] < places["3"][1]


PAIRED = [conductor_colour(pair, first=first) for pair in range(1, 26) for first in (True, False)]


@pytest.mark.parametrize("colour", PAIRED)
def test_a_wire_is_mostly_its_base_with_narrow_rings_of_its_band(colour: str) -> None:
    stub = ET.fromstring(wire(colour, "w"))
    rect, rings = stub
    count = len(re.findall("M", rings.get("d", "")))
    assert float(rings.get("stroke-width", "")) == RING
    assert 1 - count * RING / LENGTH >= 0.7
    assert rect.get("fill") != rings.get("stroke")


def test_white_blue_is_not_blue_white() -> None:
    first, second = (ET.fromstring(wire(colour, "w")) for colour in ("white-blue", "blue-white"))
    assert first[0].get("fill") == second[1].get("stroke") == "#ffffff"
    assert first[0].get("fill") != second[0].get("fill")


def test_a_wire_of_one_colour_has_no_rings_and_one_without_a_colour_is_a_broken_outline() -> None:
    assert [one.tag for one in ET.fromstring(wire("red", "w"))] == ["rect"]
    for colour in ("", "grey with tracer", "white-pink"):
        (outline,) = ET.fromstring(wire(colour, "w"))
        assert (outline.get("fill"), outline.get("stroke-dasharray")) == ("none", "3 2")


def test_a_colour_that_is_not_recorded_is_said_with_the_pair() -> None:
    said = texts(one_strip(row(1, wired("field", "", "run R1"))))
    assert "not recorded" in said
    assert "audio +, pair 1" in said


def test_a_clip_that_is_in_is_a_bar_one_that_is_out_a_gap_and_a_word() -> None:
    drawn = one_strip(through(1), through(2, clip="out"), through(3))
    bars = [one.find(f"{SVG}path") for one in clips(drawn)]
    assert [bar is not None for bar in bars] == [True, False, True]
    said = texts(drawn)
    assert said["1"][1] < said["out"][1] < said["3"][1]
    assert "Clip 2 is out." in drawn.findtext(f"{SVG}desc", "")


def test_a_block_without_clips_has_a_line_through_and_no_word_for_it() -> None:
    drawn = one_strip(through(1, clip=""))
    (through_line,) = clips(drawn)
    bar = through_line.find(f"{SVG}path")
    assert bar is not None
    assert bar.get("stroke-width") == "1"
    assert "clip" not in texts(drawn)


def test_a_doubled_row_has_a_bracket_both_wires_and_the_words() -> None:
    remark = "2 conductors on the field side; 1 allowed"
    doubled = row(
        5,
        wired("equipment", "white-blue", "output 2 of GW 1"),
        wired("field", "white-blue", "run LS-1", zone="Linkspan"),
        wired("field", "white-orange", "run MS-1", zone="Linkspan"),
        remark=remark,
    )
    drawn = one_strip(doubled)
    said = texts(drawn)
    assert {"run LS-1", "run MS-1", "white-orange", f"! {remark}"} <= set(said)
    assert said["run LS-1"][1] < said["run MS-1"][1] < said[f"! {remark}"][1]
    (bracket,) = [one for one in drawn.iter(f"{SVG}path") if one.get("stroke-width") == "3"]
    top, bottom = (float(one) for one in re.findall(r"[ V]([\d.]+)", bracket.get("d", "")))
    wires = sorted(
        float(use.get("y", "")) for use in drawn.iter(f"{SVG}use") if float(use.get("x", "")) > 164
    )
    assert top < wires[0] < wires[1] < bottom
    assert f"Row 5: {remark}." in drawn.findtext(f"{SVG}desc", "")


def test_free_rows_are_one_line_each_time() -> None:
    said = texts(one_strip(through(3), through(9)))
    assert [line for line in said if "nothing recorded" in line] == [
        "rows 1 and 2: nothing recorded",
        "rows 4 to 8: nothing recorded",
        "rows 10 to 50: nothing recorded",
    ]
    assert "row 2: nothing recorded" in texts(one_strip(through(1), row_count=2))


def test_a_side_on_which_nothing_is_recorded_says_so() -> None:
    said = texts(one_strip(row(1, wired("field", "red", "run R1"))))
    assert said["nothing recorded"][0] < said["1"][0]


def test_a_full_block_is_cut_into_strips_of_which_each_row_is_in_one() -> None:
    drawn = [
        ET.fromstring(standing_alone(one))
        for one in strips([through(number, f"run R{number}") for number in range(1, 51)])
    ]
    assert len(drawn) == 5  # rows of 70 px: at most 12 in the 870 px less 22 px of a header, so 10 in each
    numbers = [one for strip in drawn for one in texts(strip) if one.isdigit()]
    assert numbers == [str(number) for number in range(1, 51)]
    assert all(float(strip.get("height", "")) <= MOST_HEIGHT + 7 for strip in drawn)
    assert all("run R" in " ".join(texts(strip)) for strip in drawn)
    assert drawn[1].findtext(f"{SVG}title") == "Block B-1, rows 11 to 20"
    ids = [one.get("id") for strip in drawn for one in strip.iter() if one.get("id")]
    assert len(ids) == len(set(ids)), "on one page an id stands once"


def test_strips_are_alike_high_and_the_rows_of_a_run_stay_in_one() -> None:
    """18 rows of 9 runs: 15 and 3 where each strip is filled, 9 and 9 where a pair may be parted."""
    drawn = [
        ET.fromstring(standing_alone(one))
        for one in strips([through(number, f"run R{(number + 1) // 2}") for number in range(1, 19)], 18)
    ]
    assert [strip.findtext(f"{SVG}title") for strip in drawn] == [
        "Block B-1, rows 1 to 10",
        "Block B-1, rows 11 to 18",
    ]


def test_a_row_is_small_and_has_no_style_of_its_own() -> None:
    (*_, drawn) = (*strips([through(number) for number in range(1, 11)], 10),)
    assert len(drawn) / 10 <= 650
    assert "style=" not in drawn


def test_a_name_is_never_read_as_markup() -> None:
    (drawn,) = strips([row(1, wired("field", "<b>", "<script>", zone='"&'))])
    assert "<script>" not in drawn
    assert "&lt;script&gt;" in drawn
