"""What a cell may hold, by the fact that it says: text to value and back. Pure: no database.

``read`` gets text that is stripped and not empty, and raises ``BadCellError`` with what would be right;
``write`` is its inverse, so that what is exported reads back to the same value. Bounds, lengths and words are
those of the model field; only how a spreadsheet writes them is known here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, NamedTuple
from zoneinfo import available_timezones

from django.core.exceptions import ValidationError

from sites.changes.parameters import MOST_IDS
from sites.fields import (
    DayField,
    EmailField,
    Fact,
    FlagField,
    LineField,
    ListField,
    NoteField,
    QuantityField,
    TimeZoneField,
    WholeField,
)
from sites.wording import perhaps, shortened

UNKNOWN = "?"


class BadCellError(ValueError):
    """What a cell holds cannot be read; the message says what was found and what would be right."""


class Estimate(NamedTuple):
    """A number, and whether it was marked as a guess with ``~``; ``value`` None where it was given as
    unknown.
    """

    value: float | None
    guessed: bool = False


class Count(NamedTuple):
    """How many devices an uncounted group stands for; None throughout where that is not known."""

    low: int | None
    likely: int | None
    high: int | None


class Cell:
    """How one kind of cell is written; ``notation`` says it in words."""

    @property
    def notation(self) -> str:
        raise NotImplementedError

    def read(self, text: str) -> Any:
        raise NotImplementedError

    def write(self, value: Any) -> str:
        raise NotImplementedError


def _checked(fact: Fact, value: Any, text: str) -> Any:
    """The value in the form in which the record keeps it."""
    try:
        return fact.clean(value, None)
    except ValidationError as error:
        near = perhaps(text, available_timezones()) if isinstance(fact, TimeZoneField) else ""
        raise BadCellError(f"{_said(text)}: expected {fact.expected}{near}") from error


def _said(text: str) -> str:
    return f"“{shortened(text)}”"


# A spreadsheet takes a cell that begins so for a formula; a leading apostrophe keeps it text
_FORMULA = ("=", "+", "-", "@", "'", "\t", "\r")


@dataclass(frozen=True)
class Text(Cell):
    fact: Fact

    @property
    def notation(self) -> str:
        if isinstance(self.fact, LineField | NoteField) and not isinstance(self.fact, EmailField):
            return f"text, up to {self.fact.max_length} characters"
        return self.fact.expected

    def read(self, text: str) -> str:
        return str(_checked(self.fact, text.removeprefix("'"), text))

    def write(self, value: Any) -> str:
        text = str(value)
        # Nor is a name that is a question mark taken for unknown, or joined with what stands before it
        as_it_is = text.startswith(_FORMULA) or text == UNKNOWN or unicodedata.combining(text[0])
        return f"'{text}" if as_it_is else text


@dataclass(frozen=True)
class Word(Cell):
    """One of a few words; case, spaces and hyphens are overlooked. ``values``: word to value."""

    values: Mapping[str, Any]

    @property
    def notation(self) -> str:
        return " / ".join(self.values)

    def read(self, text: str) -> Any:
        word = re.sub(r"[\s-]+", "_", text.casefold())
        if word not in self.values:
            raise BadCellError(
                f"{_said(text)} is none of {', '.join(self.values)}{perhaps(word, self.values)}"
            )
        return self.values[word]

    def write(self, value: Any) -> str:
        return next(word for word, known in self.values.items() if known == value)


@dataclass(frozen=True)
class Number(Cell):
    """A number within the bounds of its fact; a whole one where its fact counts."""

    fact: QuantityField | WholeField

    @property
    def notation(self) -> str:
        return self.fact.expected

    def read(self, text: str) -> Any:
        if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", text):
            raise BadCellError(self._advice(text))
        value = float(text)
        # a spreadsheet may write 4 as 4.0
        if isinstance(self.fact, WholeField) and not value.is_integer():
            raise BadCellError(f"{_said(text)}: expected {self.fact.expected}")
        return _checked(self.fact, value, text)

    @staticmethod
    def _advice(text: str) -> str:
        if re.fullmatch(r"~?[+-]?\d+,\d+", text):
            return f"{_said(text)} is not a number here: write {shortened(text.replace(',', '.'))}"
        unit = re.fullmatch(r"(~?[+-]?\d+(?:\.\d+)?)\s*[a-zA-ZΩ°'\"]+", text)
        if unit:
            return (
                f"{_said(text)} is not a number: write {shortened(unit[1])}, the unit is in the column's name"
            )
        return f"{_said(text)} is not a number such as 12 or 12.5"

    def write(self, value: Any) -> str:
        return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


class Quantity(Number):
    """A number whose basis stands beside it; ``~12`` is a guess, ``?`` unknown."""

    @property
    def notation(self) -> str:
        return f"{super().notation}; ~ before a guess; ? where unknown"

    def read(self, text: str) -> Estimate:
        if text == UNKNOWN:
            return Estimate(None)
        return Estimate(super().read(text.removeprefix("~").strip()), guessed=text.startswith("~"))

    def write(self, value: Any) -> str:
        if value.value is None:
            return UNKNOWN
        return ("~" if value.guessed else "") + super().write(value.value)


@dataclass(frozen=True)
class Counted(Cell):
    """``6``: exactly six; ``~6 (4-9)``: about six, four to nine; ``?``: not known."""

    fact: WholeField
    notation = "6, ~6 (4-9) or ?"

    def read(self, text: str) -> Count:
        if text == UNKNOWN:
            return Count(None, None, None)
        match = re.fullmatch(r"(\d{1,4})|~\s*(\d{1,4})\s*\(\s*(\d{1,4})\s*[-–]\s*(\d{1,4})\s*\)", text)
        if match is None:
            guess = re.fullmatch(r"~\s*(\d{1,4})", text)
            if guess:
                likely = int(guess[1])
                range_ = f"({likely * 2 // 3}-{likely * 3 // 2})"
                raise BadCellError(f"{_said(text)} says no range: write such as ~{likely} {range_}")
            raise BadCellError(f"{_said(text)} is not a count such as 6, ~6 (4-9) or ?")
        likely, low, high = (int(match[1] or match[place]) for place in (2, 3, 4))
        if not low <= likely <= high:
            raise BadCellError(
                f"{_said(text)} is out of order: the likely count lies between the lowest and the highest"
            )
        return Count(*(_checked(self.fact, count, text) for count in (low, likely, high)))

    def write(self, value: Count) -> str:
        if value.likely is None:
            return UNKNOWN
        if value.low == value.high:
            return str(value.likely)
        return f"~{value.likely} ({value.low}-{value.high})"


@dataclass(frozen=True)
class Day(Cell):
    fact: DayField
    notation = "YYYY-MM-DD"

    def read(self, text: str) -> date:
        day: date = _checked(self.fact, text, text)
        return day

    def write(self, value: date) -> str:
        return value.isoformat()


@dataclass(frozen=True)
class Rows(Cell):
    """One number, or a range of them: ``7`` or ``7-8``."""

    fact: WholeField
    notation = "7 or 7-8"

    def read(self, text: str) -> tuple[int, ...]:
        match = re.fullmatch(r"(\d{1,4})(?:\s*[-–]\s*(\d{1,4}))?", text)
        if match is None:
            raise BadCellError(f"{_said(text)} is not a number such as 7 or a range such as 7-8")
        first, last = (_checked(self.fact, int(one), text) for one in (match[1], match[2] or match[1]))
        if first > last:
            raise BadCellError(f"{_said(text)} is not ascending")
        return tuple(range(first, last + 1))

    def write(self, value: tuple[int, ...]) -> str:
        return str(value[0]) if len(value) == 1 else f"{value[0]}-{value[-1]}"


@dataclass(frozen=True)
class Listed(Cell):
    r"""Several in one cell, ``a | b``; a bar that belongs to a name is written ``\|``. ``most``: how many,
    where no fact says it."""

    of: Cell
    fact: ListField | None = None
    most: int = MOST_IDS

    @property
    def notation(self) -> str:
        most = self.most if self.fact is None else self.fact.max_items
        return f"{self.of.notation}, up to {most} divided by |"

    def read(self, text: str) -> list[Any]:
        parts = re.findall(r"(?:^|\|)((?:\\.|[^|\\]|\\$)*)", text)
        parts = [re.sub(r"\\([\\|])", r"\1", part).strip() for part in parts]
        if "" in parts:
            raise BadCellError(f"{_said(text)} has an empty place between two bars")
        if self.fact is None and len(parts) > self.most:
            raise BadCellError(f"{_said(text)} holds {len(parts)}: expected {self.most} at most")
        values = [self.of.read(part) for part in parts]
        return values if self.fact is None else list(_checked(self.fact, values, text))

    def write(self, value: list[Any]) -> str:
        return " | ".join(re.sub(r"([\\|])", r"\\\1", self.of.write(one)) for one in value)


def cell_of(fact: Fact) -> Cell:
    """How a fact is written in a cell."""
    words: Mapping[str, Any] | None = getattr(fact, "words", None)
    if words is not None:
        return Word({word: getattr(value, "value", value) for word, value in words.items()})
    if isinstance(fact, FlagField):
        return Word({"yes": True, "no": False})
    if isinstance(fact, ListField):
        return Listed(cell_of(fact.base_field), fact)
    if isinstance(fact, QuantityField | WholeField):
        return Number(fact)
    return Day(fact) if isinstance(fact, DayField) else Text(fact)


def in_metres(value: float, metres_a_unit: Decimal) -> float:
    """A length given in another unit, exact in decimals (1 ft = 0.3048 m): 3 ft are 0.9144 m, not
    0.91440…01.
    """
    return float(Decimal(repr(value)) * metres_a_unit)
