"""From cells to values, row by row."""

from __future__ import annotations

from typing import Any

import pytest

from sites.models import Basis
from zones.asbuilt.cells import Count
from zones.asbuilt.files import read_sheet
from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.parsing import Row, parse
from zones.asbuilt.problems import place_of

from .folders import as_files, landing, point


def rows_of(kind: str, *rows: dict[str, str], separator: str = ",") -> list[Row]:
    content = as_files({kind: list(rows)}, separator=separator)[f"{kind}.csv"]
    sheet = read_sheet(BY_NAME[kind], content)
    assert not sheet.problems
    return parse(sheet)


def values_of(kind: str, row: dict[str, str], **options: Any) -> dict[str, Any]:
    (parsed,) = rows_of(kind, row, **options)
    assert not parsed.problems
    return parsed.values


def complaints(kind: str, row: dict[str, str]) -> list[tuple[str, str]]:
    (parsed,) = rows_of(kind, row)
    return [(place_of(problem)[2], problem.detail) for problem in parsed.problems]


@pytest.mark.parametrize(
    ("cells", "length", "basis"),
    [
        ({"length_m": "30"}, 30.0, Basis.DRAWING),
        ({"length_m": "30", "length_basis": "measured"}, 30.0, Basis.MEASURED),
        ({"length_m": "30", "length_basis": "marked"}, 30.0, Basis.MARKED),
        ({"length_m": "~30"}, 30.0, Basis.GUESSED),
        ({"length_m": "~30", "length_basis": "guessed"}, 30.0, Basis.GUESSED),
        ({"length_m": "?"}, None, Basis.UNKNOWN),
        ({"length_m": ""}, None, Basis.UNKNOWN),
        ({"length_m": "?", "length_basis": "unknown"}, None, Basis.UNKNOWN),
        ({"length_m": "0"}, 0.0, Basis.DRAWING),
        ({"length_ft": "100"}, 30.48, Basis.DRAWING),
        ({"length_ft": "~3"}, 0.9144, Basis.GUESSED),
        ({"length_m": "", "length_ft": "100", "length_basis": "measured"}, 30.48, Basis.MEASURED),
    ],
)
def test_lengths_and_how_they_are_known(cells: dict[str, str], length: float | None, basis: Basis) -> None:
    values = values_of("points", point("P1", **cells))
    assert (values["length_m"], values["length_basis"]) == (length, basis)


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"length_m": "~30", "length_basis": "measured"}, "length_basis"),
        ({"length_m": "?", "length_basis": "drawing"}, "length_basis"),
        ({"length_m": "", "length_basis": "drawing"}, "length_basis"),
        ({"length_m": "30", "length_basis": "unknown"}, "length_basis"),
        ({"length_m": "30", "length_ft": "98"}, "length_ft"),
        ({"length_m": "-1"}, "length_m"),
        ({"kind": "uncounted_group", "model": ""}, "count"),
        ({"count": "6"}, "count"),
        ({"kind": "splice", "model": "ceiling 50"}, "model"),
        ({"pairs": "0"}, "pairs"),
    ],
)
def test_cells_that_contradict_each_other(cells: dict[str, str], column: str) -> None:
    assert [where for where, _ in complaints("points", point("P1", **cells))] == [column]


def test_a_current_of_its_own_may_be_left_to_the_model() -> None:
    assert "current_basis" not in values_of("points", point("P1"))
    measured = values_of("points", point("P1", current_basis="measured"))
    assert (measured["speech_current_a"], measured["current_basis"]) == (None, Basis.MEASURED)
    own = values_of("points", point("P1", speech_current_a="~0.03"))
    assert (own["speech_current_a"], own["current_basis"]) == (0.03, Basis.GUESSED)
    unknown = values_of("points", point("P1", speech_current_a="?"))
    assert (unknown["speech_current_a"], unknown["current_basis"]) == (None, Basis.UNKNOWN)


def test_a_uncounted_group_says_how_many() -> None:
    values = values_of("points", point("rest", kind="uncounted_group", model="", count="~6 (4-9)"))
    assert values["count"] == Count(4, 6, 9)


def test_a_decimal_comma_counts_where_semicolons_separate() -> None:
    assert values_of("points", point("P1", length_m="12,5"), separator=";")["length_m"] == 12.5
    ((column, message),) = complaints("points", point("P1", length_m="12,5"))
    assert column == "length_m"
    assert "write 12.5" in message


def test_a_question_mark_is_unknown_but_in_free_text() -> None:
    values = values_of("points", point("P1", model="?", cable="?", place="?"))
    assert "model" not in values
    assert "cable" not in values
    assert values["place"] == "?"


def test_every_bad_cell_of_a_row_is_named() -> None:
    row = {"site": "pier", "run": "", "point": "P1", "pairs": "two", "length_m": "12 m", "kind": "hornlet"}
    assert {column for column, _ in complaints("points", row)} == {"run", "pairs", "length_m", "kind"}


def test_a_pair_in_one_row_is_two_conductors() -> None:
    (row,) = rows_of("landings", landing("7-8", "field", run="R1", pair="2", carries="dc_reversed"))
    assert [(one["row"], one["conductor"], one["carries"]) for one in row.items()] == [
        (7, "first", "dc_negative"),
        (8, "second", "dc_positive"),
    ]


@pytest.mark.parametrize(
    ("row", "columns"),
    [
        (landing("7", "field", run="R1", pair="1", carries="audio"), {"conductor", "carries"}),
        (landing("7-8", "field", run="R1", pair="1", carries="audio_positive"), {"carries"}),
        (landing("7-9", "field", run="R1", pair="1", carries="audio"), {"row"}),
        (landing("7-8", "field", supply="PS1", pair="1", carries="dc"), {"run"}),
        (landing("7-8", "equipment", run="R1", pair="1", carries="dc"), {"side"}),
        (landing("7-8", "equipment", endpoint="GW1", pair="1", carries="audio"), {"output", "side"}),
        (landing("7-8", "field", run="R1", pair="26", carries="dc"), {"pair"}),
    ],
)
def test_landings_that_cannot_be(row: dict[str, str], columns: set[str]) -> None:
    assert {column for column, _ in complaints("landings", row)} == columns


def test_a_reading_names_what_its_kind_needs() -> None:
    row = {"site": "pier", "kind": "end_voltage", "state": "idle", "value": "22", "taken_on": "2024-01-01"}
    assert {column for column, _ in complaints("tests", row | {"switch": "SW1"})} == {
        "run",
        "point",
        "switch",
    }
