"""What a worked calculation consists of: inputs, tables of what was added up or walked along, and steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from zones.electrical.bands import FloatArray
from zones.loads.site_loads import Load

Cell = str | float | None


@dataclass(frozen=True)
class Amount:
    """A value in three estimates [unit]; None not known. known: how it is known, in words."""

    name: str
    unit: str
    low: float | None
    likely: float | None
    high: float | None
    known: str = ""

    @classmethod
    def of(cls, name: str, unit: str, value: ArrayLike, known: str = "") -> Amount:
        """value: one number for all estimates, or (3,) low, likely, high; NaN and infinity are not known."""
        low, likely, high = np.broadcast_to(np.asarray(value, float), (3,)).tolist()
        return cls(name, unit, _finite(low), _finite(likely), _finite(high), known)

    @classmethod
    def rated(cls, name: str, unit: str, value: ArrayLike) -> Amount:
        """A rating of a model."""
        return cls.of(name, unit, value, "data sheet of its model")


@dataclass(frozen=True)
class Column:
    """key: under which rows have it; name: as a heading."""

    key: str
    name: str
    unit: str = ""


def columns(*given: str | Column) -> tuple[Column, ...]:
    """The columns of a table; a key alone is also the heading."""
    return tuple(one if isinstance(one, Column) else Column(one, one.replace("_", " ")) for one in given)


def estimates(unit: str = "") -> tuple[Column, ...]:
    """The columns of a value in three estimates."""
    key = f"_{unit.lower()}" if unit else ""
    return tuple(Column(name + key, name, unit) for name in ("low", "likely", "high"))


LENGTH_KNOWN = Column("known", "how the length is known")


@dataclass(frozen=True)
class Table:
    title: str
    columns: tuple[Column, ...]
    rows: tuple[dict[str, Cell], ...]

    @classmethod
    def of(cls, title: str, columns: Sequence[Column], rows: Sequence[Sequence[Any]]) -> Table:
        """rows: cells in the order of the columns; NaN becomes None."""
        keys = [column.key for column in columns]
        return cls(
            title, tuple(columns), tuple(dict(zip(keys, map(_cell, row), strict=True)) for row in rows)
        )


@dataclass(frozen=True)
class Step:
    """One line of the calculation: in words and numbers, and what it gives."""

    text: str
    gives: Amount

    @classmethod
    def of(cls, text: str, name: str, unit: str, value: ArrayLike) -> Step:
        """What is found, with its value: ``Sum of the taps: 60 W (low 50 W, high 70 W).``"""
        amount = Amount.of(name, unit, value)
        low, likely, high = (number(one, unit) for one in (amount.low, amount.likely, amount.high))
        band = "" if low == likely == high else f" (low {low}, high {high})"
        return cls(f"{text}: {likely}{band}.", amount)

    @classmethod
    def worked(cls, expression: str, name: str, unit: str, value: ArrayLike) -> Step:
        """An expression in numbers and what it comes to: ``Limit: 2 A × 0.8 = 1.6 A.``"""
        amount = Amount.of(name, unit, value)
        return cls(f"{expression} = {number(amount.likely, unit)}.", amount)


@dataclass(frozen=True)
class Worked:
    """formula: in the symbols of the trade. assumptions: what is assumed, each a sentence."""

    formula: str
    assumptions: tuple[str, ...] = ()
    inputs: tuple[Amount, ...] = ()
    tables: tuple[Table, ...] = ()
    steps: tuple[Step, ...] = ()


def bands_of(load: Load) -> FloatArray:
    """(3,) the figure of a load: low, likely, high; NaN where not known."""
    return np.array([load.low, load.likely, load.high], float)


def amount_of_fraction(fraction: float) -> Amount:
    return Amount.of("loading fraction", "", fraction, "common practice")


def limit_by_fraction(rated: float, fraction: float, unit: str) -> Step:
    """The limit as a rating × a fraction."""
    expression = f"Limit: {number(rated, unit)} × {fraction:g}"
    return Step.worked(expression, "limit", unit, rated * fraction)


def number(value: float | None, unit: str = "") -> str:
    """A value as a step shows it; ``not recorded`` where it is not known."""
    if value is None or not np.isfinite(value):
        return "not recorded"
    return f"{value:.4g} {unit}".strip()


def _cell(value: Any) -> Cell:
    if isinstance(value, str) or value is None:
        return value
    return _finite(float(value))


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
