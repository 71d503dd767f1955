"""Which tables a statement reads without being bound to a site, a customer or some rows by their keys.

PostgreSQL itself parses the statement: its plan names every condition. A table is bound where an index leads
to its rows by a key that equals something given, or a key of a table that is bound. Read in the order of an
index, as far as a page goes, a table need not be. Everything else that is read grows with the fleet.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

from django.db import connection

AVOIDED: Final = ("seqscan", "sort", "bitmapscan", "hashjoin", "mergejoin", "hashagg", "material", "memoize")
"""What a plan has in no condition, or what reads all of a table where a page is wanted."""
OF_NO_FLEET: Final = frozenset({"device_model", "cable_type", "factor", "instrument", "token_customer"})
"""What all customers share, and who asks, does not grow with the fleet."""
NO_KEYS: Final = frozenset({"model_id", "cable_type_id", "state", "kind", "lane", "row", "side", "step"})
"""Columns that many rows have in common, though an index begins with them."""
STREAMING: Final = frozenset({"Limit", "Nested Loop", "Incremental Sort", "Subquery Scan", "Result"})
"""Nodes that give rows before they have read all of theirs."""
CONDITIONS: Final = ("Index Cond", "Filter", "Recheck Cond", "Join Filter", "Hash Cond", "Merge Cond")

Column = tuple[str, str]
"""An alias and one of its columns."""


@dataclass
class _Read:
    """What a plan reads: tables by alias, those that are read by page, and which columns equal which."""

    tables: dict[str, str] = field(default_factory=dict)
    by_page: set[str] = field(default_factory=set)
    equal: list[tuple[Column, Column | None]] = field(default_factory=list)
    """The other is None where it is not a column of a table: a value, a parameter, a list."""

    def bound(self) -> set[str]:
        """The aliases that are read by page, and to which an index leads, one from another."""
        found = set(self.by_page)
        while True:
            reached = {
                alias
                for (alias, column), other in self.equal
                if (other is None or other[0] in found or other[0] not in self.tables)
                and column not in NO_KEYS
                and column in leading_columns().get(self.tables.get(alias, ""), ())
            }
            if reached <= found:
                return found
            found |= reached


def unbound(statement: str) -> list[str]:
    """The tables that a statement reads through."""
    if not statement.lstrip(" (").upper().startswith(("SELECT", "WITH")):
        return []
    with connection.cursor() as cursor:
        for name in AVOIDED:
            cursor.execute(f"SET LOCAL enable_{name} = off")
        cursor.execute(f"EXPLAIN (FORMAT JSON) {statement}")
        (answer,) = cursor.fetchone()
        for name in AVOIDED:
            cursor.execute(f"SET LOCAL enable_{name} = on")
    plan = json.loads(answer) if isinstance(answer, str) else answer
    read = _Read()
    _collect(plan[0]["Plan"], read, by_page=False)
    kept = read.bound()
    return sorted({table for alias, table in read.tables.items() if table in growing() and alias not in kept})


def _collect(node: Mapping[str, Any], read: _Read, *, by_page: bool) -> None:
    """by_page: whether no more is read of the node than a page needs."""
    kind, own = node["Node Type"], node.get("Alias", "")
    if "Relation Name" in node:
        read.tables[own] = node["Relation Name"]
        if by_page and kind.startswith("Index"):
            read.by_page.add(own)
    for name in CONDITIONS:
        for part in _all_of(node.get(name, "")):
            read.equal += _equalities(part, own)
    by_page = kind == "Limit" or (by_page and kind in STREAMING)
    for place, child in enumerate(node.get("Plans", ())):
        first = not place or child.get("Parent Relationship") == "Outer"
        aside = child.get("Parent Relationship") in ("InitPlan", "SubPlan")
        _collect(child, read, by_page=by_page and first and not aside)


def _all_of(condition: str) -> Iterator[str]:
    """The parts of a condition that must all hold."""
    condition = condition.strip()
    while condition.startswith("(") and _closing(condition) == len(condition) - 1:
        condition = condition[1:-1]
    depth, begin = 0, 0
    parts = []
    for place, letter in enumerate(condition):
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if depth == 0 and condition.startswith(" AND ", place):
            parts.append(condition[begin:place])
            begin = place + len(" AND ")
        if depth == 0 and condition.startswith(" OR ", place):
            return
    if parts:
        for part in (*parts, condition[begin:]):
            yield from _all_of(part)
    elif condition:
        yield condition


def _closing(text: str) -> int:
    """Where the bracket closes with which the text begins."""
    depth = 0
    for place, letter in enumerate(text):
        depth += {"(": 1, ")": -1}.get(letter, 0)
        if depth == 0:
            return place
    return -1


_COLUMN: Final = re.compile(r'^(?:"?(\w+)"?\.)?"?([a-z_]\w*)"?$')


def _equalities(part: str, own: str) -> Iterator[tuple[Column, Column | None]]:
    left, equals, right = part.partition(" = ")
    if not equals:
        return
    sides = [_column(side, own) for side in (left, right)]
    for one, other in (sides, sides[::-1]):
        if one is not None:
            yield one, other


def _column(text: str, own: str) -> Column | None:
    """The column that stands there, be it in small letters or cast; None: something else."""
    bare = re.sub(r"::[a-z ]+(?:\[\])?|\blower\b|[()]", "", text)
    found = _COLUMN.match(bare)
    return None if found is None else (found[1] or own, found[2])


@cache
def growing() -> frozenset[str]:
    """The tables that grow with the fleet: sites, customers, and all that is of one."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT table_name FROM information_schema.columns WHERE table_schema = 'public'"
            " AND column_name IN ('site_id', 'customer_id', 'change_set_id', 'zone_id', 'secret_id')"
        )
        return frozenset({"site", "customer", *(name for (name,) in cursor.fetchall())}) - OF_NO_FLEET


@cache
def leading_columns() -> Mapping[str, frozenset[str]]:
    """By table, the columns with which an index begins."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT indrelid::regclass::text, pg_get_indexdef(indexrelid, 1, true) FROM pg_index"
            " WHERE indrelid IN (SELECT oid FROM pg_class WHERE relnamespace = 'public'::regnamespace)"
        )
        found: dict[str, set[str]] = {}
        for table, column in cursor.fetchall():
            parsed = _column(column, "")
            if parsed is not None:
                found.setdefault(table.strip('"'), set()).add(parsed[1])
    return {table: frozenset(columns) for table, columns in found.items()}
