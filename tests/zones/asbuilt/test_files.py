"""From bytes to cells: encodings, separators, headers."""

from __future__ import annotations

import pytest

from zones.asbuilt.files import read_files, read_sheet
from zones.asbuilt.formats import BY_NAME
from zones.asbuilt.intake import limits
from zones.asbuilt.problems import place_of

ZONES = BY_NAME["zones"]


def codes(content: bytes) -> list[tuple[int, str, str]]:
    return [(*place_of(problem)[1:], problem.code) for problem in read_sheet(ZONES, content).problems]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_separators_and_marks_that_spreadsheets_write(separator: str, mark: bytes) -> None:
    text = "\nsite,name,note\n\npier,Säl,“a”\npier,,\n".replace(",", separator)
    sheet = read_sheet(ZONES, mark + text.encode())
    assert not sheet.problems
    assert sheet.separator == separator
    assert sheet.rows == [
        (4, {"site": "pier", "name": "Säl", "note": "“a”"}),
        (5, {"site": "pier", "name": "", "note": ""}),
    ]


def test_headers_in_any_case_and_any_order_with_quoted_line_breaks() -> None:
    sheet = read_sheet(ZONES, b'NOTE,Name,site\n"two\nlines",Hall,pier\nx,Shed,pier\n')
    assert not sheet.problems
    # rows are counted as a spreadsheet counts them, not as lines
    assert [number for number, _ in sheet.rows] == [2, 3]
    assert sheet.rows[0][1]["note"] == "two\nlines"


def test_wrong_encodings_say_where() -> None:
    windows = "site,name\npier,Hall\npier,Caf\xe9\n".encode("cp1252")
    (problem,) = read_sheet(ZONES, windows).problems
    assert problem.code == "encoding"
    assert "line 3" in problem.detail
    assert "0xE9" in problem.detail
    assert "pier,Café" in problem.detail
    (problem,) = read_sheet(ZONES, "site,name\n".encode("utf-16")).problems
    assert "UTF-16" in problem.detail


def test_an_unknown_column_is_named_with_what_may_be_meant() -> None:
    (problem,) = read_sheet(ZONES, b"site,name,page_cod\npier,Hall,7\n").problems
    assert (*place_of(problem)[1:], problem.code) == (1, "page_cod", "unknown_column")
    assert "Did you mean page_code? There are: site, name, " in problem.detail


def test_all_that_is_wrong_with_a_header_at_once() -> None:
    assert codes(b"sight,note,note,,x\n") == [
        (1, "sight", "unknown_column"),
        (1, "note", "column_twice"),
        (1, "", "unnamed_column"),
        (1, "x", "unknown_column"),
        (1, "site", "missing_column"),
        (1, "name", "missing_column"),
    ]


def test_far_too_many_columns_are_counted_and_not_compared() -> None:
    """Three million of them took minutes: each was compared with all known names."""
    header = ",".join(f"c{number}" for number in range(501))
    (problem,) = read_sheet(ZONES, header.encode()).problems
    assert problem.code == "too_many_columns"
    assert "has 501 columns; a file has 500 at most" in problem.detail


def test_rows_that_do_not_fit_the_header() -> None:
    sheet = read_sheet(ZONES, b"site,name\npier,Hall,stray\npier\npier,Shed,,\n")
    assert [(place_of(p)[1], p.code) for p in sheet.problems] == [(2, "too_many_cells")]
    assert [number for number, _ in sheet.rows] == [3, 4]


def test_a_broken_quotation_is_found() -> None:
    assert codes(b'site,name\npier,"Hall\n') == [(2, "", "malformed_csv")]


def test_an_empty_file_says_what_a_header_is() -> None:
    (problem,) = read_sheet(ZONES, b"\n\n").problems
    assert problem.code == "empty_file"
    assert "site,name" in problem.detail


def test_the_column_that_says_what_was_wrong_is_read_over() -> None:
    assert not read_sheet(ZONES, b"site,name,problem\npier,Hall,was blank\n").problems


def test_file_names_are_known_or_named() -> None:
    sheets, problems = read_files({"Zones.csv": b"site,name\n", "zone.csv": b""}, limits())
    assert list(sheets) == ["zones"]
    (problem,) = problems
    assert (place_of(problem)[0], problem.code) == ("zone.csv", "unknown_file")
    assert "Did you mean zones? There are: " in problem.detail
