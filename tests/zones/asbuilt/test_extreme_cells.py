"""Every column of every file reads what it writes, for every value that its fact takes."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from zones.asbuilt.cells import Count, Counted, Estimate, Listed, Quantity, Rows, Text, Word
from zones.asbuilt.exporting import _cell
from zones.asbuilt.files import read_sheet
from zones.asbuilt.formats import ALL, BY_NAME, Column, FileKind
from zones.asbuilt.parsing import read_cell

from .extremes import MORE_LINES, ODD, taken, values_of


def values(cell: Any) -> st.SearchStrategy[Any]:
    """What the record holds in a column of this kind of cell."""
    if isinstance(cell, Word):
        return st.sampled_from(list(cell.values.values()))
    if isinstance(cell, Counted):
        counts = st.tuples(*[st.integers(0, 1000)] * 3).map(sorted)
        return counts.map(lambda three: Count(*three))
    if isinstance(cell, Listed) and cell.fact is None:
        return st.lists(values(cell.of), min_size=1, max_size=4)
    made = values_of(cell.fact).map(cell.fact.parse)
    return made.map(Estimate) if isinstance(cell, Quantity) else made


def there_and_back(kind: FileKind, column: Column, value: Any) -> Any:
    """The value as it is read from the file that it is written to."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.name])
    writer.writerow([_cell(column, value)])
    # Only how a file is read: whether it has all its columns is not asked
    sheet = read_sheet(kind, out.getvalue().encode())
    others = {problem.code for problem in sheet.problems} - {"missing_column"}
    assert not others
    ((_, cells),) = list(csv_rows(out.getvalue()))
    return read_cell(column, cells[0].strip())


def csv_rows(text: str) -> Any:
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    return list(enumerate(rows))[1:]


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_every_cell_reads_what_it_writes(kind: FileKind) -> None:
    tried = 4 if kind is BY_NAME["corrections"] else 20  # its cells are of 150,000 characters

    @given(data=st.data())
    @hypothesis_settings(max_examples=tried, suppress_health_check=list(HealthCheck))
    def reads(data: Any) -> None:
        for column in kind.all_columns:
            value = data.draw(values(column.cell), label=column.name)
            if value in ("", []):
                continue
            read = there_and_back(kind, column, value)
            assert read == ((value,) if isinstance(column.cell, Rows) else value), (column.name, value)

    reads()


@pytest.mark.parametrize("text", [*ODD, *MORE_LINES])
def test_every_text_reads_what_it_writes(text: str) -> None:
    """Each odd text, in each column that it may stand in, alone and in a list."""
    for kind in ALL:
        for column in kind.all_columns:
            cell = column.cell
            of = cell.of if isinstance(cell, Listed) else cell
            if isinstance(of, Text) and taken(of.fact, text):
                kept = of.fact.parse(text)
                value = [kept, "x", kept] if isinstance(cell, Listed) else kept
                assert there_and_back(kind, column, value) == value, column.name


@given(name=values(BY_NAME["points"].by_name["point"].cell))
@example(name="\u0338x")  # it would make a sign of its own with the “=” before it
@example(name="a | b")
def test_what_a_correction_is_about_reads_what_it_writes(name: str) -> None:
    column = BY_NAME["corrections"].by_name["thing"]
    text = _cell(BY_NAME["points"].by_name["point"], name)
    assert there_and_back(BY_NAME["corrections"], column, [f"point={text}"]) == [f"point={text}"]
    assert read_cell(BY_NAME["points"].by_name["point"], text) == name
