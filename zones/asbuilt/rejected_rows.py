"""Rows that could not be taken, as files “to clarify”: as they were given, each with what is wrong with it.

The files can be put right and imported as they are: they bring along the changes that their rows name.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping

from .files import PROBLEM_COLUMN, Sheet
from .parsing import Row
from .problems import place_of


def rejected_files(sheets: Mapping[str, Sheet], rows: Mapping[str, list[Row]]) -> dict[str, bytes]:
    """The refused rows by file name, in the separator they came in; nothing where none was refused."""
    refused = [row for of_kind in rows.values() for row in of_kind if row.is_refused()]
    sites = {row.cells.get("site", "") for row in refused if row.kind.name != "sites"}
    superseded = {(row.cells.get("site"), row.cells.get("supersedes")) for row in refused}

    def is_needed(row: Row) -> bool:
        """Whether a refused row names it: a change, or a test that it supersedes."""
        if row.kind.name == "changes":
            return row.cells.get("site", "") in sites
        key = row.cells.get("test")
        return bool(key) and (row.cells.get("site"), key) in superseded

    files = {}
    for name, of_kind in rows.items():
        aside = [row for row in of_kind if row.is_refused() or is_needed(row)]
        if aside:
            files[sheets[name].kind.file] = _as_csv(sheets[name], aside)
    return files


def _as_csv(sheet: Sheet, rows: list[Row]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=sheet.separator, lineterminator="\n")
    names = [name for name in sheet.header if name != PROBLEM_COLUMN]
    writer.writerow([*names, PROBLEM_COLUMN])
    for row in rows:
        writer.writerow([*(row.cells[name] for name in names), _why(row)])
    # a spreadsheet that separates by semicolons takes UTF-8 only with its mark
    return out.getvalue().encode("utf-8-sig" if sheet.decimal_comma else "utf-8")


def _why(row: Row) -> str:
    if row.problems:
        columns = ((place_of(problem)[2], problem.detail) for problem in row.problems)
        return "; ".join(f"{column}: {detail}" if column else detail for column, detail in columns)
    return f"waits for {row.waits_for.place}" if row.waits_for is not None else ""
