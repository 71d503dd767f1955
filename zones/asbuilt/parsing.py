"""From cells to values, row by row. No database: what a row says by itself, and what is wrong with it by
itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sites.changes.errors import Problem
from sites.models import Basis

from .cells import UNKNOWN, BadCellError, Counted, Estimate, Number, Quantity, Text, in_metres
from .files import Sheet
from .formats import Column, Estimated, FileKind
from .formats.kinds import Values
from .problems import place_of, problem_in

_UNKNOWN, _GUESSED = Basis.UNKNOWN.value, Basis.GUESSED.value


@dataclass(eq=False)
class Row:
    """One row of a file. ``values``: by column, what its cells mean; a blank cell has no entry. ``cells``:
    as given.

    A row with ``problems`` is refused, and so is one that is good by itself but ``waits_for`` a refused row
    whose thing it names.
    """

    kind: FileKind
    number: int
    cells: Mapping[str, str]
    values: Values = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    waits_for: Row | None = None

    def is_refused(self) -> bool:
        return bool(self.problems) or self.waits_for is not None

    @property
    def place(self) -> str:
        return f"{self.kind.file}, row {self.number}"

    def complain(self, column: str, code: str, message: str) -> None:
        """Report a complaint once for a cell: a row that stands for several would repeat it for each."""
        problem = problem_in(self.kind.file, self.number, column, code, message)
        if not any((one.path, one.code) == (problem.path, code) for one in self.problems):
            self.problems.append(problem)

    def refuse(self, found: Iterable[Problem]) -> None:
        """Complain of what a rule found, under the column that it is about."""
        for problem in found:
            self.complain(self.kind.column_for(problem.path[1:]), problem.code, problem.detail)

    def wait_for(self, other: Row | None) -> None:
        """Put this row aside with ``other``, which is refused."""
        if other is not None and other is not self and self.waits_for is None:
            self.waits_for = other

    def items(self) -> list[Values]:
        """The records that the row stands for: one, but for rows that give a range or a pair."""
        return self.kind.expand(self.values) if self.kind.expand else [self.values]


def parse(sheet: Sheet) -> list[Row]:
    """Every row of a sheet, the bad ones included, with all that is wrong with each."""
    kind = sheet.kind
    readers = [
        _Reader(kind.headers[name], name, decimal_comma=sheet.decimal_comma)
        for name in sheet.header
        if name in kind.headers
    ]
    rows = []
    for number, cells in sheet.rows:
        row = Row(kind, number, cells)
        for reader in readers:
            if text := cells[reader.header]:
                reader.take(row, text)
        for column in kind.always_required:
            if not cells.get(column.name):
                row.complain(column.name, "blank", f"is blank; expected: {column.cell.notation}")
        unread = {kind.headers[place_of(problem)[2]].name for problem in row.problems}
        for pair in kind.estimates:
            if not {pair.value, pair.basis} & unread:
                _settle_basis(row, pair)
        if not row.problems and kind.check is not None:
            row.refuse(kind.check(row.values))
        rows.append(row)
    return rows


def read_cell(column: Column, text: str, header: str = "") -> Any:
    """What a text means under a header of a column, by default its own; None: unknown. What cannot be read
    gives the error that says why."""
    return _Reader(column, header or column.name, decimal_comma=False).read(text)


class _Reader:
    """Reads the cells under one header. Most columns repeat themselves from row to row, so each text is read
    once: reading cells is what an import would otherwise spend a third of its time on."""

    def __init__(self, column: Column, header: str, *, decimal_comma: bool) -> None:
        self.column = column
        self.header = header
        self._decimal_comma = decimal_comma
        self._known: dict[str, Any] = {}

    def take(self, row: Row, text: str) -> None:
        """Read one cell into ``row.values`` under its column's name."""
        name = self.column.name
        if name in row.values:
            message = f"is given under {name} too: leave one of the two blank"
            row.complain(self.header, "given_twice", message)
            return
        if text not in self._known:
            self._known[text] = self.read(text)
        value = self._known[text]
        if isinstance(value, BadCellError):
            row.complain(self.header, "bad_value", str(value))
        elif value is not None:
            row.values[name] = value

    def read(self, text: str) -> Any:
        """What the text means, in the column's unit; None: unknown, as a blank is. For one that cannot be
        read, the error that says why."""
        column = self.column
        if text == UNKNOWN and self._may_be_unknown():
            return None
        if self._decimal_comma and isinstance(column.cell, Number) and re.fullmatch(r"~?[+-]?\d+,\d+", text):
            text = text.replace(",", ".")
        try:
            value = column.cell.read(text)
        except BadCellError as error:
            return error.with_traceback(None)
        factor = column.units.get(self.header)
        if factor is None:
            return value
        if not isinstance(value, Estimate):
            return in_metres(value, factor)
        return value if value.value is None else value._replace(value=in_metres(value.value, factor))

    def _may_be_unknown(self) -> bool:
        """``?`` stands for unknown, as a blank does, except in free text, where it is a question mark, and
        where the cell itself makes something of it.
        """
        column = self.column
        free_text = isinstance(column.cell, Text) and column.attribute is not None
        return not (column.required or free_text or isinstance(column.cell, Quantity | Counted))


def _settle_basis(row: Row, pair: Estimated) -> None:
    """Turn a quantity and the word beside it into the value and the basis that the record holds."""
    value, basis = pair.value, pair.basis
    estimate: Estimate | None = row.values.get(value)
    given: int | None = row.values.get(basis)
    is_given = "" if given is None else f"is {Basis(given).label}"
    row.values[value] = None if estimate is None else estimate.value
    if estimate is None or estimate.value is None:
        if estimate is None and pair.optional:
            return
        row.values[basis] = _UNKNOWN
        if given not in (None, _UNKNOWN):
            wrong = (
                f"{is_given} where {value} is ?: leave one of the two blank"
                if estimate is not None
                else f"{is_given}, but {value} is blank: give the value, or no basis"
            )
            row.complain(basis, "contradiction", wrong)
    elif given == _UNKNOWN:
        wrong = f"{is_given}, but {value} is given: leave {value} blank, or say guessed"
        row.complain(basis, "contradiction", wrong)
    elif estimate.guessed and given not in (None, _GUESSED):
        row.complain(basis, "contradiction", f"{is_given}, but {value} is marked with ~ as guessed")
    elif given is None:
        row.values[basis] = _GUESSED if estimate.guessed else pair.default.value
