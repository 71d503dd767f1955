"""Renders FORMAT.md from the registry, so that the two cannot disagree."""

from __future__ import annotations

from pathlib import Path

from .formats import ALL, Column, FileKind

PAGE = Path(__file__).with_name("FORMAT.md")
MARK = "<!-- below: written by `manage.py asbuilt format` from zones/asbuilt/formats -->"


def render() -> str:
    """The whole page: what is written by hand above the mark, then a section a file."""
    head, mark, _ = PAGE.read_text(encoding="utf-8").partition(MARK)
    assert mark, f"{PAGE} has lost its mark"
    return "\n".join([head + MARK, "", *map(_section, ALL)])


def _section(kind: FileKind) -> str:
    lines = [f"### {kind.file}", "", kind.about, ""]
    if kind.key:
        names = " + ".join(f"`{name}`" for name in kind.key_columns)
        lines += [f"Identified by {names}{' within its site' if kind.sited else ''}.", ""]
    for name, headers in kind.former.items():
        called = "".join(f", its column `{old}` as `{new}`" for old, new in headers.items())
        lines += [f"`{name}.csv` of an earlier release is read as this file{called}.", ""]
    lines += ["| column | holds | |", "|---|---|---|"]
    lines += [_line(column, dated=kind.facts is not None and column.dated) for column in kind.all_columns]
    return "\n".join([*lines, ""])


def _line(column: Column, *, dated: bool) -> str:
    names = " or ".join(f"`{name}`" for name in (column.name, *column.units))
    notes = []
    if column.required:
        notes.append("**Required.**")
    if dated:
        notes.append("Dated.")
    if column.help:
        notes.append(column.help)
    if column.default not in (None, "", []) and not column.required and "lank" not in column.help:
        notes.append(f"Blank: {column.cell.write(column.default)}.")
    holds = column.cell.notation
    return f"| {names} | {holds.replace('|', '&#124;')} | {' '.join(notes)} |"
