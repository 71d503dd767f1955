"""What a cell may hold: text to value and back. Pure: no database.

``read`` gets text that is stripped and not empty, and raises ``BadCellError`` with what would be right;
``write`` is its inverse, so that what is exported reads back to the same value.
"""

from __future__ import annotations

import ipaddress
import math
import re
import zoneinfo
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import Any, ClassVar

from django.core.exceptions import ValidationError
from django.core.validators import validate_email, validate_slug

from .problems import did_you_mean

UNKNOWN = "?"
FIRST_DAY = date(1970, 1, 1)
LAST_DAY = date(2199, 12, 31)


class BadCellError(ValueError):
    """What a cell holds cannot be read; the message says what was found and what would be right."""


@dataclass(frozen=True)
class Estimate:
    """A number, and whether it was marked as a guess with ``~``; ``value`` None where it was given as
    unknown.
    """

    value: float | None
    guessed: bool = False


@dataclass(frozen=True)
class Count:
    """How many devices an uncounted group stands for; None throughout where nobody can say."""

    low: int | None
    likely: int | None
    high: int | None


class Cell:
    """How one kind of cell is written. ``numeric``: a decimal comma is taken in semicolon-separated files;
    ``says_unknown``: it makes something of ``?`` itself."""

    notation: str = ""
    numeric: ClassVar[bool] = False
    free_text: ClassVar[bool] = False
    says_unknown: ClassVar[bool] = False

    def read(self, text: str) -> Any:
        raise NotImplementedError

    def write(self, value: Any) -> str:
        raise NotImplementedError


# A spreadsheet takes a cell that begins so for a formula; a leading apostrophe keeps it text
_FORMULA = ("=", "+", "-", "@", "'", "\t", "\r")


@dataclass(frozen=True)
class Text(Cell):
    limit: int | None = None
    notation: str = field(default="text", init=False)
    free_text: ClassVar[bool] = True

    def read(self, text: str) -> str:
        value = text.removeprefix("'")
        if "\x00" in value:
            raise BadCellError("holds a zero byte: retype the cell")
        if self.limit is not None and len(value) > self.limit:
            raise BadCellError(f"has {len(value)} characters; at most {self.limit} fit")
        return value

    def write(self, value: str) -> str:
        return f"'{value}" if value.startswith(_FORMULA) else value


@dataclass(frozen=True)
class Code(Text):
    notation: str = field(default="letters, digits, - and _", init=False)

    def read(self, text: str) -> str:
        value = super().read(text)
        try:
            validate_slug(value)
        except ValidationError as error:
            raise BadCellError(f"“{text}” is not a code: letters a to z, digits, - and _ only") from error
        return value


@dataclass(frozen=True)
class Email(Text):
    notation: str = field(default="mail address", init=False)

    def read(self, text: str) -> str:
        value = super().read(text)
        try:
            validate_email(value)
        except ValidationError as error:
            raise BadCellError(f"“{text}” is not a mail address such as desk@example.org") from error
        return value


@dataclass(frozen=True)
class Word(Cell):
    """One of a few words; case, spaces and hyphens are overlooked. ``values``: word to value."""

    values: Mapping[str, Any]

    @property
    def notation(self) -> str:  # type: ignore[override]
        return " / ".join(self.values)

    def read(self, text: str) -> Any:
        word = re.sub(r"[\s-]+", "_", text.casefold())
        if word not in self.values:
            raise BadCellError(
                f"“{text}” is none of {', '.join(self.values)}{did_you_mean(word, self.values)}"
            )
        return self.values[word]

    def write(self, value: Any) -> str:
        return next(word for word, known in self.values.items() if known == value)


def yes_no() -> Word:
    return Word({"yes": True, "no": False})


@dataclass(frozen=True)
class Number(Cell):
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    notation: str = field(default="number", init=False)
    numeric: ClassVar[bool] = True

    def read(self, text: str) -> float:
        if not re.fullmatch(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", text):
            raise BadCellError(self._advice(text))
        value = float(text)
        if not math.isfinite(value):
            raise BadCellError(f"{text} is too large to be meant")
        return self._within(value, text)

    def _within(self, value: float, text: str) -> float:
        if self.minimum is not None and value < self.minimum:
            raise BadCellError(f"{text} is out of range: {self.minimum:g} or more")
        if self.above is not None and value <= self.above:
            raise BadCellError(f"{text} is out of range: more than {self.above:g}")
        if self.maximum is not None and value > self.maximum:
            raise BadCellError(f"{text} is out of range: at most {self.maximum:g}")
        return value

    @staticmethod
    def _advice(text: str) -> str:
        if re.fullmatch(r"~?[+-]?\d+,\d+", text):
            return f"“{text}” is not a number here: write {text.replace(',', '.')}"
        unit = re.fullmatch(r"(~?[+-]?\d+(?:\.\d+)?)\s*[a-zA-ZΩ°'\"]+", text)
        if unit:
            return f"“{text}” is not a number: write {unit[1]}, the unit is in the column's name"
        return f"“{text}” is not a number such as 12 or 12.5"

    def write(self, value: float) -> str:
        return _shortest(value)


def _shortest(value: float) -> str:
    return str(int(value)) if value == int(value) and abs(value) < 1e15 else repr(value)


@dataclass(frozen=True)
class Whole(Cell):
    minimum: int
    maximum: int
    notation: str = field(default="whole number", init=False)
    numeric: ClassVar[bool] = True

    def read(self, text: str) -> int:
        # a spreadsheet may write 4 as 4.0
        if not re.fullmatch(r"\d{1,9}(\.0+)?", text):
            raise BadCellError(f"“{text}” is not a whole number from {self.minimum} to {self.maximum}")
        value = int(float(text))
        if not self.minimum <= value <= self.maximum:
            raise BadCellError(f"{text} is out of range: {self.minimum} to {self.maximum}")
        return value

    def write(self, value: int) -> str:
        return str(value)


@dataclass(frozen=True)
class Quantity(Cell):
    """A number whose basis stands beside it; ``~12`` is a guess, ``?`` unknown."""

    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    notation: str = field(default="number, ~number (guessed) or ?", init=False)
    numeric: ClassVar[bool] = True
    says_unknown: ClassVar[bool] = True

    def read(self, text: str) -> Estimate:
        if text == UNKNOWN:
            return Estimate(None)
        guessed = text.startswith("~")
        number = Number(self.minimum, self.above, self.maximum).read(text.removeprefix("~").strip())
        return Estimate(number, guessed)

    def write(self, value: Estimate) -> str:
        if value.value is None:
            return UNKNOWN
        return ("~" if value.guessed else "") + _shortest(value.value)


@dataclass(frozen=True)
class Counted(Cell):
    """``6``: exactly six; ``~6 (4-9)``: about six, four to nine; ``?``: nobody can say."""

    notation: str = field(default="6, ~6 (4-9) or ?", init=False)
    says_unknown: ClassVar[bool] = True

    def read(self, text: str) -> Count:
        if text == UNKNOWN:
            return Count(None, None, None)
        match = re.fullmatch(r"(\d{1,4})|~\s*(\d{1,4})\s*\(\s*(\d{1,4})\s*[-–]\s*(\d{1,4})\s*\)", text)
        if match is None:
            guess = re.fullmatch(r"~\s*(\d{1,4})", text)
            if guess:
                likely = int(guess[1])
                range_ = f"({likely * 2 // 3}-{likely * 3 // 2})"
                raise BadCellError(f"“{text}” says no range: write such as ~{likely} {range_}")
            raise BadCellError(f"“{text}” is not a count such as 6, ~6 (4-9) or ?")
        if match[1]:
            return Count(int(match[1]), int(match[1]), int(match[1]))
        likely, low, high = int(match[2]), int(match[3]), int(match[4])
        if not low <= likely <= high:
            raise BadCellError(
                f"“{text}” is out of order: the likely count lies between the lowest and the highest"
            )
        return Count(low, likely, high)

    def write(self, value: Count) -> str:
        if value.likely is None:
            return UNKNOWN
        if value.low == value.high:
            return str(value.likely)
        return f"~{value.likely} ({value.low}-{value.high})"


@dataclass(frozen=True)
class Day(Cell):
    notation: str = field(default="YYYY-MM-DD", init=False)

    def read(self, text: str) -> date:
        match = re.fullmatch(r"(\d{4})-(\d{2})-(\d{2})", text)
        if match is None:
            raise BadCellError(f"“{text}” is not a day such as 2025-03-14 (year, month, day)")
        try:
            day = date(int(match[1]), int(match[2]), int(match[3]))
        except ValueError as error:
            raise BadCellError(f"“{text}” is not in the calendar") from error
        if not FIRST_DAY <= day <= LAST_DAY:
            raise BadCellError(f"“{text}” is out of range: {FIRST_DAY} to {LAST_DAY}")
        return day

    def write(self, value: date) -> str:
        return value.isoformat()


@dataclass(frozen=True)
class Rows(Cell):
    """One number, or a range of them: ``7`` or ``7-8``."""

    minimum: int
    maximum: int
    notation: str = field(default="7 or 7-8", init=False)

    def read(self, text: str) -> tuple[int, ...]:
        match = re.fullmatch(r"(\d{1,4})(?:\s*[-–]\s*(\d{1,4}))?", text)
        if match is None:
            raise BadCellError(f"“{text}” is not a number such as 7 or a range such as 7-8")
        first, last = int(match[1]), int(match[2] or match[1])
        if not self.minimum <= first <= last <= self.maximum:
            raise BadCellError(f"“{text}” is out of range: {self.minimum} to {self.maximum}, ascending")
        return tuple(range(first, last + 1))

    def write(self, value: tuple[int, ...]) -> str:
        return str(value[0]) if len(value) == 1 else f"{value[0]}-{value[-1]}"


@dataclass(frozen=True)
class Listed(Cell):
    r"""Several in one cell, ``a | b``; a bar that belongs to a name is written ``\|``."""

    of: Cell

    @property
    def notation(self) -> str:  # type: ignore[override]
        return f"{self.of.notation}, several divided by |"

    def read(self, text: str) -> list[Any]:
        parts = [re.sub(r"\\([\\|])", r"\1", part).strip() for part in _split_on_bar(text)]
        if "" in parts:
            raise BadCellError(f"“{text}” has an empty place between two bars")
        return [self.of.read(part) for part in parts]

    def write(self, value: list[Any]) -> str:
        return " | ".join(re.sub(r"([\\|])", r"\\\1", self.of.write(one)) for one in value)


def _split_on_bar(text: str) -> list[str]:
    return re.findall(r"(?:^|\|)((?:\\.|[^|\\]|\\$)*)", text)


@dataclass(frozen=True)
class Address(Cell):
    notation: str = field(default="IP address", init=False)

    def read(self, text: str) -> str:
        try:
            return str(ipaddress.ip_address(text))
        except ValueError as error:
            raise BadCellError(f"“{text}” is not an address such as 10.20.4.17") from error

    def write(self, value: str) -> str:
        return str(value)


@lru_cache(maxsize=1)
def _time_zones() -> frozenset[str]:
    return frozenset(zoneinfo.available_timezones())


@dataclass(frozen=True)
class TimeZone(Cell):
    notation: str = field(default="time zone such as Europe/Oslo", init=False)

    def read(self, text: str) -> str:
        if text not in _time_zones():
            raise BadCellError(
                f"“{text}” is not a time zone such as Europe/Oslo{did_you_mean(text, _time_zones())}"
            )
        return text

    def write(self, value: str) -> str:
        return value


def in_metres(value: float, metres_a_unit: Decimal) -> float:
    """A length given in another unit, exact in decimals (1 ft = 0.3048 m): 3 ft are 0.9144 m, not
    0.91440…01.
    """
    return float(Decimal(repr(value)) * metres_a_unit)
