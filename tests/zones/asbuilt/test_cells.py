"""What a cell may hold, and that writing is the inverse of reading."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sites import fields
from zones.asbuilt.cells import (
    BadCellError,
    Cell,
    Count,
    Counted,
    Day,
    Estimate,
    Listed,
    Number,
    Quantity,
    Rows,
    Text,
    Word,
    in_metres,
)

NUMBER = fields.QuantityField(minimum=-10, maximum=1e9)
CEILING = fields.QuantityField(unit="V", above=0, maximum=90)
PAIRS, ROWS = fields.pairs(), fields.WholeField(minimum=1, maximum=50)
COUNT = fields.device_count()
NOTE, LINE = fields.NoteField(), fields.LineField(max_length=7)

# As the record keeps a text: composed, and without invisible characters
words = (
    st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=90)
    .map(lambda text: unicodedata.normalize("NFC", text))
    .filter(lambda text: not re.search(f"[{fields.UNSEEN}]", text))
)


@given(words)
def test_text_survives_even_where_a_spreadsheet_would_compute_it(value: str) -> None:
    written = Text(NOTE).write(value)
    assert not written.startswith(("=", "+", "-", "@"))
    assert Text(NOTE).read(written) == value


@given(st.lists(words, min_size=1, max_size=20))
def test_a_list_survives_any_bars_in_its_names(value: list[str]) -> None:
    cell = Listed(Text(fields.NameField(max_length=400)))
    assert cell.read(cell.write(value)) == value


@given(st.floats(min_value=0, max_value=1e9))
def test_a_number_survives_to_the_last_bit(value: float) -> None:
    assert Number(NUMBER).read(Number(NUMBER).write(value)) == value
    assert Quantity(NUMBER).read(Quantity(NUMBER).write(Estimate(value, guessed=True))) == Estimate(
        value, guessed=True
    )


@given(st.integers(0, 999), st.integers(0, 999), st.integers(0, 999))
def test_a_count_survives(a: int, b: int, c: int) -> None:
    low, likely, high = sorted((a, b, c))
    assert Counted(COUNT).read(Counted(COUNT).write(Count(low, likely, high))) == Count(low, likely, high)


@pytest.mark.parametrize(
    ("cell", "text", "value"),
    [
        (Number(NUMBER), "12.50", 12.5),
        (Number(NUMBER), "1e-3", 0.001),
        (Number(PAIRS), "4.0", 4),
        (Quantity(NUMBER), "~ 30", Estimate(30.0, guessed=True)),
        (Quantity(NUMBER), "?", Estimate(None)),
        (Counted(COUNT), "6", Count(6, 6, 6)),
        (Counted(COUNT), "~6 (4-9)", Count(4, 6, 9)),
        (Counted(COUNT), "~6(4–9)", Count(4, 6, 9)),
        (Counted(COUNT), "?", Count(None, None, None)),
        (Day(fields.DayField()), "2024-02-29", dt.date(2024, 2, 29)),
        (Rows(ROWS), "7 - 8", (7, 8)),
        (Rows(ROWS), "7", (7,)),
        (Word({"self_amplified": 1}), "Self-amplified", 1),
        (Text(fields.AddressField()), "10.0.0.7", "10.0.0.7"),
        (Text(fields.TimeZoneField(max_length=64)), "America/Halifax", "America/Halifax"),
        (Listed(Number(NUMBER)), "0.5 | 1|2", [0.5, 1.0, 2.0]),
        (Listed(Text(fields.NameField(max_length=400))), r"North \| South | East", ["North | South", "East"]),
        (Text(NOTE), "'=1+1", "=1+1"),
    ],
)
def test_what_is_read(cell: Cell, text: str, value: Any) -> None:
    assert cell.read(text) == value


@pytest.mark.parametrize(
    ("cell", "text", "advice"),
    [
        (Number(NUMBER), "12,5", "write 12.5"),
        (Number(NUMBER), "12 m", "write 12, the unit is in the column's name"),
        (Number(NUMBER), "about 12", "not a number such as"),
        (Number(NUMBER), "1_000", "not a number such as"),
        (Number(NUMBER), "nan", "not a number such as"),
        (Number(NUMBER), "1e999", "expected a number from -10"),
        (Number(PAIRS), "-1", "expected a whole number from 1 to 25"),
        (Number(CEILING), "0", "expected a number above 0 and at most 90 [V]"),
        (Number(CEILING), "91", "at most 90"),
        (Number(PAIRS), "26", "1 to 25"),
        (Number(PAIRS), "2.5", "expected a whole number"),
        (Counted(COUNT), "~6", "says no range: write such as ~6 (4-9)"),
        (Counted(COUNT), "~6 (7-9)", "out of order"),
        (Counted(COUNT), "some", "not a count"),
        (Day(fields.DayField()), "14.03.2025", "expected a day such as 2026-11-25, from 1970"),
        (Day(fields.DayField()), "2025-02-30", "expected a day such as"),
        (Day(fields.DayField()), "1969-12-31", "expected a day such as 2026-11-25, from 1970"),
        (Rows(ROWS), "8-7", "ascending"),
        (Rows(ROWS), "50-51", "1 to 50"),
        (Word({"screw": 1, "jack": 2}), "screws", "did you mean screw?"),
        (Text(fields.CodeField(max_length=9)), "Île 3", "letters, digits, dashes and underscores"),
        (Text(fields.EmailField(max_length=90)), "desk at example", "an address such as name@example.com"),
        (Text(fields.TimeZoneField(max_length=64)), "America/Halifaks", "did you mean America/Halifax?"),
        (Text(fields.AddressField()), "10.0.0.300", "a network address such as"),
        (Listed(Text(fields.NameField(max_length=400))), "a || b", "empty place"),
        (Text(LINE), "harbours", "1 to 7 characters"),
        (Text(NOTE), "a\x00b", "without control or invisible characters"),
    ],
)
def test_what_is_refused_and_what_would_be_right(cell: Cell, text: str, advice: str) -> None:
    with pytest.raises(BadCellError) as refused:
        cell.read(text)
    assert advice in str(refused.value)


def test_feet_are_exact_decimals() -> None:
    """1 ft = 0.3048 m exactly (international yard and pound agreement, 1959)."""
    assert [in_metres(feet, Decimal("0.3048")) for feet in (1.0, 3.0, 100.0)] == [0.3048, 0.9144, 30.48]
