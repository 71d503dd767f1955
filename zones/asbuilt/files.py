"""From bytes to cells: encoding, separator, header. Nothing here knows what a column means."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from .formats import BY_NAME, FileKind
from .problems import RowProblem, did_you_mean, problem_in

SEPARATORS = (",", ";", "\t")
PROBLEM_COLUMN = "problem"  # what files “to clarify” say in addition; read over when they come back
SPREADSHEETS = {".xlsx", ".xls", ".xlsm", ".ods", ".numbers"}
CELL_LIMIT = 100_000


@dataclass
class Sheet:
    """One file as it was given. ``rows``: (row number as a spreadsheet counts it, cells by header)."""

    kind: FileKind
    header: list[str] = field(default_factory=list)
    rows: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    separator: str = ","
    problems: list[RowProblem] = field(default_factory=list)

    @property
    def decimal_comma(self) -> bool:
        """Where a spreadsheet writes 12,5 it separates cells by semicolons."""
        return self.separator == ";"


def read_folder(folder: Path) -> tuple[dict[str, bytes], list[RowProblem]]:
    """The CSV files of a folder by name; other files are left alone, but a spreadsheet is one that was not
    saved.
    """
    files: dict[str, bytes] = {}
    problems = []
    for path in sorted(folder.iterdir()):
        if path.is_dir() or path.name.startswith("."):
            continue
        if path.suffix.lower() == ".csv":
            files[path.name] = path.read_bytes()
        elif path.suffix.lower() in SPREADSHEETS:
            message = "a spreadsheet cannot be read: save each sheet as CSV UTF-8"
            problems.append(problem_in(path.name, 0, "", "not_csv", message))
    return files, problems


def read_files(files: Mapping[str, bytes]) -> tuple[dict[str, Sheet], list[RowProblem]]:
    """Sheets by the name of their kind, and what is wrong with whole files."""
    sheets: dict[str, Sheet] = {}
    problems: list[RowProblem] = []
    for name, content in files.items():
        stem = name.removesuffix(".csv").casefold()
        if stem not in BY_NAME:
            known = f"there is no file of this name{did_you_mean(stem, BY_NAME)}"
            problems.append(problem_in(name, 0, "", "unknown_file", f"{known}; known: {', '.join(BY_NAME)}"))
            continue
        sheet = read_sheet(BY_NAME[stem], content)
        problems += sheet.problems
        sheets[stem] = sheet
    return sheets, problems


def read_sheet(kind: FileKind, content: bytes) -> Sheet:
    """One file. A problem with its header leaves its rows unread: nobody could say what their cells mean."""
    sheet = Sheet(kind)
    text = _decoded(content, sheet)
    if text is None:
        return sheet
    separator = _separator(text, kind)
    sheet.separator = separator
    records = _records(text, separator, sheet)
    number, header = next(((at, cells) for at, cells in records if any(cells)), (0, []))
    if not header:
        if not sheet.problems:
            _complain(
                sheet,
                0,
                "",
                "empty_file",
                f"has no header row: the first row names the columns, such as {_header(kind)}",
            )
        return sheet
    sheet.header = header
    _check_header(sheet, number)
    if sheet.problems:
        return sheet
    header = sheet.header
    for number, cells in records:
        if not any(cells):
            continue
        surplus = [cell for cell in cells[len(header) :] if cell]
        if surplus:
            message = (
                f"has {len(cells)} cells under {len(header)} headers, from “{surplus[0][:40]}” on: quote a "
                f"cell that holds the separator “{separator}”"
            )
            _complain(sheet, number, "", "too_many_cells", message)
            continue
        padded = cells + [""] * (len(header) - len(cells))
        sheet.rows.append((number, dict(zip(header, padded, strict=False))))
    return sheet


def _header(kind: FileKind) -> str:
    return ",".join(column.name for column in kind.all_columns[:4]) + ",…"


def _complain(sheet: Sheet, row: int, column: str, code: str, message: str) -> None:
    sheet.problems.append(problem_in(sheet.kind.file, row, column, code, message))


def _decoded(content: bytes, sheet: Sheet) -> str | None:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        _complain(sheet, 0, "", "encoding", "is UTF-16: save it as CSV UTF-8")
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line = before.count(b"\n") + 1
        word = content[before.rfind(b"\n") + 1 :].split(b"\n")[0].decode("cp1252", "replace").strip()
        message = (
            f"line {line} is not UTF-8 (byte 0x{content[error.start]:02X}; as Windows-1252 it would read "
            f"“{word[:60]}”): save it as CSV UTF-8"
        )
        _complain(sheet, 0, "", "encoding", message)
        return None


def _separator(text: str, kind: FileKind) -> str:
    """The separator under which most of the first row are known headers."""
    first = next((line for line in text.splitlines() if line.strip(" ,;\t\ufeff")), "")

    def known(separator: str) -> int:
        return sum(cell.strip().strip('"').casefold() in kind.headers for cell in first.split(separator))

    return max(SEPARATORS, key=lambda separator: (known(separator), first.count(separator)))


def _records(text: str, separator: str, sheet: Sheet) -> Iterator[tuple[int, list[str]]]:
    csv.field_size_limit(CELL_LIMIT)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = 0
    while True:
        number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            _complain(
                sheet,
                number,
                "",
                "malformed_csv",
                f"cannot be read as CSV ({error}): check its quotation marks",
            )
            return
        yield number, [cell.strip() for cell in cells]


def _check_header(sheet: Sheet, number: int) -> None:
    kind = sheet.kind
    sheet.header = [name.casefold() for name in sheet.header]
    while sheet.header and not sheet.header[-1]:
        sheet.header.pop()
    for place, name in enumerate(sheet.header, 1):
        if name == PROBLEM_COLUMN:
            continue
        if not name:
            _complain(sheet, number, "", "unnamed_column", f"column {place} has no name")
        elif name not in kind.headers:
            message = (
                f"there is no such column{did_you_mean(name, kind.headers)}; known: {', '.join(kind.headers)}"
            )
            _complain(sheet, number, name, "unknown_column", message)
        elif name in sheet.header[: place - 1]:
            _complain(sheet, number, name, "column_twice", "stands in the header twice")
    for column in kind.always_required:
        if column.name not in sheet.header:
            _complain(sheet, number, column.name, "missing_column", "this column is missing from the header")
