"""Where in the files a problem is."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from sites.changes.errors import Problem


def problem_in(file: str, row: int, column: str, code: str, detail: str) -> Problem:
    """A problem of a file. ``row`` is the row as a spreadsheet numbers it (the header is row 1; 0: the whole
    file), ``column`` its header ("" for the whole row)."""
    return Problem(detail, code, f"/{file}/{row}/{column}")


def place_of(problem: Problem) -> tuple[str, int, str]:
    """File, row and column, as ``problem_in`` got them; of no file, what the database alone could find."""
    parts = problem.path.split("/", 3)
    return (parts[1], int(parts[2]), parts[3]) if len(parts) == 4 else ("", 0, "")


def sentence_of(problem: Problem) -> str:
    """Such as “points.csv, row 3, column length_m: is blank”."""
    file, row, column = place_of(problem)
    parts = [file, f"row {row}" if row else "", f"column {column}" if column else ""]
    place = ", ".join(filter(None, parts))
    return f"{place}: {problem.detail}" if place else problem.detail


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """A tail such as ``; did you mean length_m?``, or nothing where no known word is near."""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), list(names), n=1, cutoff=0.6)
    return f"; did you mean {names[near[0]]}?" if near else ""
