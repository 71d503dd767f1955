"""What a cell may hold, and that writing is the inverse of reading."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from zones.asbuilt.cells import (
    Address,
    BadCellError,
    Cell,
    Code,
    Count,
    Counted,
    Day,
    Email,
    Estimate,
    Listed,
    Number,
    Quantity,
    Rows,
    Text,
    TimeZone,
    Whole,
    Word,
    in_metres,
)

words = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp"]), min_size=1)


@given(words)
def test_text_survives_even_where_a_spreadsheet_would_compute_it(value: str) -> None:
    written = Text().write(value)
    assert not written.startswith(("=", "+", "-", "@"))
    assert Text().read(written) == value


@given(st.lists(words, min_size=1))
def test_a_list_survives_whatever_bars_its_names_hold(value: list[str]) -> None:
    cell = Listed(Text())
    assert cell.read(cell.write(value)) == value


@given(st.floats(min_value=0, max_value=1e9))
def test_a_number_survives_to_the_last_bit(value: float) -> None:
    assert Number().read(Number().write(value)) == value
    assert Quantity().read(Quantity().write(Estimate(value, guessed=True))) == Estimate(value, guessed=True)


@given(st.integers(0, 999), st.integers(0, 999), st.integers(0, 999))
def test_a_count_survives(a: int, b: int, c: int) -> None:
    low, likely, high = sorted((a, b, c))
    assert Counted().read(Counted().write(Count(low, likely, high))) == Count(low, likely, high)


@pytest.mark.parametrize(
    ("cell", "text", "value"),
    [
        (Number(), "12.50", 12.5),
        (Number(), "1e-3", 0.001),
        (Whole(0, 9), "4.0", 4),
        (Quantity(), "~ 30", Estimate(30.0, guessed=True)),
        (Quantity(), "?", Estimate(None)),
        (Counted(), "6", Count(6, 6, 6)),
        (Counted(), "~6 (4-9)", Count(4, 6, 9)),
        (Counted(), "~6(4–9)", Count(4, 6, 9)),
        (Counted(), "?", Count(None, None, None)),
        (Day(), "2024-02-29", dt.date(2024, 2, 29)),
        (Rows(1, 50), "7 - 8", (7, 8)),
        (Rows(1, 50), "7", (7,)),
        (Word({"self_amplified": 1}), "Self-amplified", 1),
        (Address(), "10.0.0.7", "10.0.0.7"),
        (TimeZone(), "America/Halifax", "America/Halifax"),
        (Listed(Number()), "0.5 | 1|2", [0.5, 1.0, 2.0]),
        (Listed(Text()), r"North \| South | East", ["North | South", "East"]),
        (Text(), "'=1+1", "=1+1"),
    ],
)
def test_what_is_read(cell: Cell, text: str, value: Any) -> None:
    assert cell.read(text) == value


@pytest.mark.parametrize(
    ("cell", "text", "advice"),
    [
        (Number(), "12,5", "write 12.5"),
        (Number(), "12 m", "write 12, the unit is in the column's name"),
        (Number(), "about 12", "not a number such as"),
        (Number(), "1_000", "not a number such as"),
        (Number(), "nan", "not a number such as"),
        (Number(), "1e999", "too large"),
        (Number(minimum=0), "-1", "0 or more"),
        (Number(above=0), "0", "more than 0"),
        (Number(maximum=90), "91", "at most 90"),
        (Whole(1, 25), "26", "1 to 25"),
        (Whole(1, 25), "2.5", "not a whole number"),
        (Counted(), "~6", "says no range: write such as ~6 (4-9)"),
        (Counted(), "~6 (7-9)", "out of order"),
        (Counted(), "some", "not a count"),
        (Day(), "14.03.2025", "not a day such as 2025-03-14"),
        (Day(), "2025-02-30", "not in the calendar"),
        (Day(), "1969-12-31", "out of range"),
        (Rows(1, 50), "8-7", "ascending"),
        (Rows(1, 50), "50-51", "1 to 50"),
        (Word({"screw": 1, "jack": 2}), "screws", "did you mean screw?"),
        (Code(), "Île 3", "not a code"),
        (Email(), "desk at example", "not a mail address"),
        (TimeZone(), "America/Halifaks", "did you mean America/Halifax?"),
        (Address(), "10.0.0.300", "not an address"),
        (Listed(Text()), "a || b", "empty place"),
        (Text(4), "harbour", "at most 4"),
        (Text(), "a\x00b", "zero byte"),
    ],
)
def test_what_is_refused_and_what_would_be_right(cell: Cell, text: str, advice: str) -> None:
    with pytest.raises(BadCellError) as refused:
        cell.read(text)
    assert advice in str(refused.value)


def test_feet_are_exact_decimals() -> None:
    """1 ft = 0.3048 m exactly (international yard and pound agreement, 1959)."""
    assert [in_metres(feet, Decimal("0.3048")) for feet in (1.0, 3.0, 100.0)] == [0.3048, 0.9144, 30.48]
