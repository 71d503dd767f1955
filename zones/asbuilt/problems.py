"""What is wrong with a row, where, and what would be right."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sites.changes.errors import Problem


@dataclass(frozen=True)
class RowProblem(Problem):
    """A problem and where in the files it is. ``row`` is the row as a spreadsheet numbers it (the header is
    row 1; 0: the whole file), ``column`` its header ("" for the whole row)."""

    file: str = ""
    row: int = 0
    column: str = ""

    @property
    def message(self) -> str:
        """What was found and what would be right."""
        return self.detail

    def __str__(self) -> str:
        place = self.file
        if self.row:
            place += f", row {self.row}"
        if self.column:
            place += f", column {self.column}"
        return f"{place}: {self.message}"

    def as_dict(self) -> dict[str, Any]:
        named = {"file": self.file, "row": self.row, "column": self.column}
        return named | {"code": self.code, "message": self.message}


def problem_in(file: str, row: int, column: str, code: str, detail: str) -> RowProblem:
    return RowProblem(detail, code, file=file, row=row, column=column)


class ImportRefusedError(Exception):
    """The files cannot be taken as they are; nothing was written."""

    def __init__(self, problems: list[RowProblem]) -> None:
        super().__init__(f"{len(problems)} problems")
        self.problems = problems


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A tail such as ``; did you mean length_m?``, or nothing where no known word is near."""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), list(names), n=1, cutoff=0.6)
    return f"; did you mean {names[near[0]]}?" if near else ""
