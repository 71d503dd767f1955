"""Tables of power as switches print them: lines of text with headings, which differ from model to model.

Columns are separated by bars, tabs, semicolons, commas, two or more spaces, or spaces: by those that give a
line with all the headings that are asked for. Every line below it is a row, so that none is left out unseen:
blank lines, rules and repeated headings are skipped, and anything else is an error."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, NamedTuple

from sites.changes.errors import MOST_NAMED, ChangeRefused, Problem
from sites.fields import NoteField
from sites.wording import counted, listed, shortened
from zones.models import KINDS, Test

LONGEST_TABLE: Final = 100_000
_MOST_GROUP: Final = 999
_RULE: Final = re.compile(r"[-=+|_*~\s]+")
_WATTS: Final = re.compile(r"(\d{1,6}(?:\.\d{1,6})?) ?W?", re.ASCII | re.IGNORECASE)
_GROUP: Final = re.compile(r"\d{1,3}", re.ASCII)


class PrintedField(NoteField):
    """A text as a machine printed it: its blank lines and spaces count."""

    def normal(self, text: str) -> str:
        return unicodedata.normalize("NFC", text).replace("\r\n", "\n").replace("\r", "\n")


class Headings(NamedTuple):
    """What the columns are called. group, port: blank: there is no such column."""

    watts: str
    group: str = ""
    port: str = ""

    @property
    def named(self) -> list[str]:
        return [one for one in (self.group, self.port, self.watts) if one]


class GroupReading(NamedTuple):
    """``power_group``: None: the switch as a whole."""

    power_group: int | None
    value: float


def read_table(text: str, headings: Headings) -> list[GroupReading]:
    """The watts of each supply group, summed where a group has several ports; without a column of groups, the
    watts of the switch as a whole. ChangeRefused names every line that is wrong."""
    lines = [(number, line.strip(" ")) for number, line in enumerate(text.split("\n"), 1)]
    filled = [(number, line) for number, line in lines if line.strip() and not _RULE.fullmatch(line)]
    table = _table(filled, headings)
    problems: list[str] = []
    rows = [
        row for line in filled if line[0] > table.line if (row := _row(table, line, problems)) is not None
    ]
    problems += _repeated(rows, headings)
    if not rows and not problems:
        problems.append(f"There is no line below the headings on line {table.line}.")
    if problems:
        raise ChangeRefused(_cut(problems))
    found: dict[int | None, Decimal] = {}
    for row in rows:
        found[row.group] = found.get(row.group, Decimal()) + row.watts
    return [GroupReading(group, float(watts)) for group, watts in found.items()]


def headings_of(text: str) -> str:
    """The first line of a text that is not blank, shortened: where its headings may be."""
    first = next((line.strip() for line in text.split("\n") if line.strip()), "")
    return shortened(" ".join(first.split()), 200)


# --- headings -----------------------------------------------------------------------------------------------

_Split = Callable[[str], list[str]]


def _by(separator: str) -> _Split:
    pattern = re.compile(separator)
    return lambda line: [" ".join(cell.split()) for cell in pattern.split(line)]


_SPLITS: Final[Sequence[_Split]] = [
    lambda line: _by(r"\|")(line.strip("|")),
    *map(_by, (r"\t", ";", ",", r"\s{2,}", r"\s+")),
]


@dataclass(frozen=True)
class _Table:
    """line: that of the headings; split: how its lines become cells; at: the place of each column."""

    line: int
    split: _Split
    cells: list[str]
    headings: Headings
    watts_at: int
    group_at: int | None
    port_at: int | None


class _Row(NamedTuple):
    line: int
    group: int | None
    port: str
    watts: Decimal


def _table(lines: Sequence[tuple[int, str]], headings: Headings) -> _Table:
    wanted = {_alike(one) for one in headings.named}
    for number, line in lines:
        for split in _SPLITS:
            cells = split(line)
            alike = [_alike(cell) for cell in cells]
            if not wanted <= set(alike):
                continue
            twice = [one for one in headings.named if alike.count(_alike(one)) > 1]
            if twice:
                raise _refused(f"Line {number} has the heading “{twice[0]}” twice: which column is meant?")
            places = [alike.index(_alike(one)) if one else None for one in headings]
            assert places[0] is not None, "there is a column of watts"
            return _Table(number, split, cells, headings, places[0], places[1], places[2])
    names = listed([f"“{one}”" for one in headings.named])
    first = headings_of("\n".join(line for _, line in lines))
    raise _refused(f"No line has the headings {names}. The first line is “{first}”.")


def _alike(heading: str) -> str:
    return " ".join(heading.split()).casefold()


# --- rows ---------------------------------------------------------------------------------------------------


def _row(table: _Table, line: tuple[int, str], problems: list[str]) -> _Row | None:
    """The row of a line; None where it repeats the headings, or is wrong."""
    number, text = line
    cells = table.split(text)
    if list(map(_alike, cells)) == list(map(_alike, table.cells)):
        return None
    if len(cells) != len(table.cells):
        problems.append(
            f"Line {number} has {counted(len(cells), 'column')}, the headings on line {table.line} have "
            f"{len(table.cells)}: leave it out if it is no row."
        )
        return None
    before = len(problems)
    group = None
    if table.group_at is not None:
        group = _whole(cells[table.group_at])
        if group is None:
            expected = f"a group from 0 to {_MOST_GROUP}"
            problems.append(_wrong(number, table.headings.group, expected, cells[table.group_at]))
    watts = _number(cells[table.watts_at])
    if watts is None:
        measured = KINDS[Test.Kind.POE_POWER].measured
        assert measured is not None, "a switch is read in watts"
        expected = f"watts from 0 to {measured.maximum:g}, such as 48 or 48.2"
        problems.append(_wrong(number, table.headings.watts, expected, cells[table.watts_at]))
    port = "" if table.port_at is None else cells[table.port_at]
    if table.port_at is not None and not port:
        problems.append(_wrong(number, table.headings.port, "a port", port))
    return None if watts is None or len(problems) > before else _Row(number, group, port, watts)


def _whole(cell: str) -> int | None:
    return int(cell) if _GROUP.fullmatch(cell) else None


def _number(cell: str) -> Decimal | None:
    measured = KINDS[Test.Kind.POE_POWER].measured
    found = _WATTS.fullmatch(cell)
    if found is None or measured is None:
        return None
    watts = Decimal(found[1])
    return watts if watts <= measured.maximum else None


def _repeated(rows: Sequence[_Row], headings: Headings) -> Iterator[str]:
    """Rows of one group and port: which of them counts, nobody can tell."""
    seen: dict[tuple[int | None, str], int] = {}
    for row in rows:
        key = row.group, row.port
        if key not in seen:
            seen[key] = row.line
            continue
        of_group = f"group {row.group}" if headings.group else ""
        if headings.port:
            what = f"port {row.port} of {of_group}" if of_group else f"port {row.port}"
            yield f"Line {row.line}: {what} stands on line {seen[key]} too."
        else:
            said = f"{of_group} stands" if of_group else "watts stand"
            yield (
                f"Line {row.line}: {said} on line {seen[key]} too. Where each line is a port, name the "
                "heading of the ports."
            )


def _wrong(line: int, heading: str, expected: str, cell: str) -> str:
    there = f"there is “{shortened(cell)}”" if cell else "it is blank"
    return f"Line {line}, column {heading}: expected {expected}; {there}."


# --- problems -----------------------------------------------------------------------------------------------


def _cut(details: Sequence[str]) -> list[Problem]:
    named = [Problem(detail, "invalid", "/text") for detail in details[:MOST_NAMED]]
    more = len(details) - MOST_NAMED
    if more > 0:
        named.append(Problem(f"{more:,} more lines are wrong.", "invalid", "/text", count=more))
    return named


def _refused(detail: str) -> ChangeRefused:
    return ChangeRefused(_cut([detail]))
