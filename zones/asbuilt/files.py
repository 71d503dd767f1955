"""From bytes to cells: encoding, separator, header. Nothing here knows what a column means."""

from __future__ import annotations

import csv
import io
import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sites.changes.errors import ChangeRefused, Problem
from sites.wording import did_you_mean

from .formats import BY_NAME, FORMER, FileKind
from .intake import Files, Limits, content_of
from .problems import problem_in

SEPARATORS = (",", ";", "\t")
PROBLEM_COLUMN = "problem"  # what files “to clarify” have in addition; ignored when they come back
LONGEST_CELL = 250_000
"""More than any cell of an export has: 500 names, each of whose characters may be a bar."""
MOST_COLUMNS = 500
"""Many more than any file has; each that is unknown is compared with all that are known."""


@dataclass
class Sheet:
    """One file as it was given. ``rows``: (row number as a spreadsheet counts it, cells by header)."""

    kind: FileKind
    header: list[str] = field(default_factory=list)
    rows: list[tuple[int, dict[str, str]]] = field(default_factory=list)
    separator: str = ","
    problems: list[Problem] = field(default_factory=list)

    @property
    def decimal_comma(self) -> bool:
        """Where a spreadsheet writes 12,5 it separates cells by semicolons."""
        return self.separator == ";"

    def complain(self, row: int, column: str, code: str, message: str) -> None:
        self.problems.append(problem_in(self.kind.file, row, column, code, message))


class RowCount:
    """The rows of all files, counted while they are read."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._count = 0

    def add(self, file: str) -> None:
        """One more; ChangeRefused where that is too many."""
        self._count += 1
        if self._count > self._most:
            detail = (
                f"with this one the files have more than {self._most:,} rows: import them in parts, or raise "
                "ZONEBOOK_IMPORT_ROWS"
            )
            raise ChangeRefused([problem_in(file, 0, "", "too_many_rows", detail)])


def read_files(files: Files, most: Limits) -> tuple[dict[str, Sheet], list[Problem]]:
    """Sheets by the name of their kind, and what is wrong with whole files."""
    sheets: dict[str, Sheet] = {}
    problems: list[Problem] = []
    count = RowCount(most.rows)
    for name, file in files.items():
        stem = name.removesuffix(".csv").casefold()
        kind = BY_NAME.get(stem) or FORMER.get(stem)
        if kind is None:
            detail = (
                f"there is no file of this name.{did_you_mean(stem, BY_NAME)} There are: {', '.join(BY_NAME)}"
            )
            problems.append(problem_in(name, 0, "", "unknown_file", detail))
            continue
        if kind.name in sheets:
            message = f"is called {kind.file} now, and that file is there too: put all rows into that one"
            problems.append(problem_in(name, 0, "", "given_twice", message))
            continue
        content, wrong = content_of(name, file, most)
        problems += wrong
        if not wrong:
            sheets[kind.name] = read_sheet(kind, content, count, kind.former.get(stem, {}))
            problems += sheets[kind.name].problems
    return sheets, problems


def read_sheet(
    kind: FileKind,
    content: bytes,
    count: RowCount | None = None,
    former: Mapping[str, str] | None = None,
) -> Sheet:
    """One file, its rows counted by ``count``. A problem with its header leaves its rows unread: what their
    cells mean is not known. ``former``: headers of a release before, and what they are called now."""
    sheet = Sheet(kind)
    text = _decoded(content, sheet)
    if text is None:
        return sheet
    sheet.separator = _separator(text, kind)
    records = _records(text, sheet)
    number, header = next(((at, cells) for at, cells in records if any(cells)), (0, []))
    if not header:
        if not sheet.problems:
            names = ",".join(column.name for column in kind.all_columns[:4])
            message = f"has no header row: the first row names the columns, such as {names},…"
            sheet.complain(0, "", "empty_file", message)
        return sheet
    _take_header(sheet, number, [(former or {}).get(name.casefold(), name) for name in header])
    if sheet.problems:
        return sheet
    width = len(sheet.header)
    for number, cells in records:
        surplus = next((cell for cell in cells[width:] if cell), None)
        if surplus is not None:
            message = (
                f"has {len(cells)} cells under {width} headers, from “{surplus[:40]}” on: quote a cell that "
                f"holds the separator “{sheet.separator}”"
            )
            sheet.complain(number, "", "too_many_cells", message)
        elif any(cells):
            if count is not None:
                count.add(kind.file)
            named = itertools.zip_longest(sheet.header, cells[:width], fillvalue="")
            sheet.rows.append((number, dict(named)))
    return sheet


def _decoded(content: bytes, sheet: Sheet) -> str | None:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        sheet.complain(0, "", "encoding", "is UTF-16: save it as CSV UTF-8")
        return None
    if b"\0" in content:
        sheet.complain(0, "", "not_text", "is not text: save the sheet as CSV UTF-8")
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
        sheet.complain(0, "", "encoding", message)
        return None


def _separator(text: str, kind: FileKind) -> str:
    """The separator under which most of the first row are known headers."""
    first = next((line for line in text.splitlines() if line.strip(" ,;\t\ufeff")), "")

    def known(separator: str) -> int:
        return sum(cell.strip().strip('"').casefold() in kind.headers for cell in first.split(separator))

    return max(SEPARATORS, key=lambda separator: (known(separator), first.count(separator)))


def _records(text: str, sheet: Sheet) -> Iterator[tuple[int, list[str]]]:
    csv.field_size_limit(LONGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=sheet.separator, strict=True)
    number = 0
    try:
        for number, cells in enumerate(reader, 1):
            yield number, [cell.strip() for cell in cells]
    except csv.Error as error:
        if "field larger than field limit" in str(error):
            message = f"has a cell of more than {LONGEST_CELL:,} characters: check its quotation marks"
            sheet.complain(number + 1, "", "long_cell", message)
        else:
            message = f"cannot be read as CSV ({error}): check its quotation marks"
            sheet.complain(number + 1, "", "malformed_csv", message)


def _take_header(sheet: Sheet, number: int, header: list[str]) -> None:
    kind = sheet.kind
    sheet.header = [name.casefold() for name in header]
    while sheet.header and not sheet.header[-1]:
        sheet.header.pop()
    if len(sheet.header) > MOST_COLUMNS:
        message = f"has {len(sheet.header):,} columns; a file has {MOST_COLUMNS} at most"
        sheet.complain(number, "", "too_many_columns", message)
        return
    for place, name in enumerate(sheet.header, 1):
        if name == PROBLEM_COLUMN:
            continue
        if not name:
            sheet.complain(number, "", "unnamed_column", f"column {place} has no name")
        elif name not in kind.headers:
            message = (
                f"there is no such column.{did_you_mean(name, kind.headers)} "
                f"There are: {', '.join(kind.headers)}"
            )
            sheet.complain(number, name, "unknown_column", message)
        elif name in sheet.header[: place - 1]:
            sheet.complain(number, name, "column_twice", "stands in the header twice")
    for column in kind.always_required:
        if column.name not in sheet.header:
            message = "this column is missing from the header"
            sheet.complain(number, column.name, "missing_column", message)
