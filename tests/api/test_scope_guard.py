"""No view reaches for rows by itself: what it answers from comes through a gate or a scoped selector."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
# Where addresses are answered. What lies below (selectors, services) is handed a scope or a row that was let
# in
GUARDED = ["api/v1", "api/pages"]
MANAGERS = {"objects", "_default_manager", "_base_manager", "all_objects"}
SHORT_CUTS = {"get_object_or_404", "get_list_or_404", "connection", "connections", "RawSQL"}


def reaches(source: str) -> Iterator[tuple[int, str]]:
    """Each place in `source` that takes rows, or a connection, without asking whose they are."""
    for node in ast.walk(ast.parse(source)):
        if (isinstance(node, ast.Attribute) and node.attr in MANAGERS) or (
            isinstance(node, ast.Attribute) and node.attr == "raw"
        ):
            yield node.lineno, node.attr
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, alias.name) for alias in node.names if alias.name in SHORT_CUTS)


@pytest.mark.parametrize("folder", GUARDED)
def test_views_take_rows_through_gates_and_scoped_selectors_only(folder: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}:{line}: {name}"
        for path in sorted((ROOT / folder).rglob("*.py"))
        for line, name in reaches(path.read_text(encoding="utf-8"))
    ]
    assert not found, "use a gate (sites/access/gates.py) or scoped(): " + "; ".join(found)


@pytest.mark.parametrize(
    "line",
    [
        "rows = Site.objects.all()",
        "rows = Site._default_manager.filter(pk=1)",
        "rows = type(site).objects",
        "from django.shortcuts import get_object_or_404",
        "from django.db import connection",
        "rows = manager.raw('select 1')",
    ],
)
def test_the_guard_sees_what_it_is_for(line: str) -> None:
    assert list(reaches(line))


def test_the_guard_lets_the_right_way_by() -> None:
    assert not list(reaches("rows = scoped(Site, self.principal.scope).filter(pk=1)"))
    assert (ROOT / "api/v1").is_dir()
