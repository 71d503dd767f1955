"""Where in the files a problem is."""

from __future__ import annotations

from typing import Final

from sites.changes.errors import Problem
from sites.wording import shortened

LONGEST: Final = 1_000


def problem_in(file: str, row: int, column: str, code: str, detail: str) -> Problem:
    """A problem of a file. ``row`` is the row as a spreadsheet numbers it (the header is row 1; 0: the whole
    file), ``column`` its header ("" for the whole row). What is repeated of a cell is cut."""
    return Problem(shortened(detail, LONGEST), code, f"/{shortened(file)}/{row}/{shortened(column)}")


def place_of(problem: Problem) -> tuple[str, int, str]:
    """File, row and column, as ``problem_in`` got them; of no file, what the database alone could find."""
    parts = problem.path.split("/", 3)
    return (parts[1], int(parts[2]), parts[3]) if len(parts) == 4 else ("", 0, "")


def sentence_of(problem: Problem) -> str:
    """The problem as a line, such as “points.csv, row 3, column length_m: is blank”."""
    file, row, column = place_of(problem)
    parts = [file, f"row {row}" if row else "", f"column {column}" if column else ""]
    place = ", ".join(filter(None, parts))
    return f"{place}: {problem.detail}" if place else problem.detail
