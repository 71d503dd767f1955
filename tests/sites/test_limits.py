"""Every text and every list has a limit: in the columns of the database, in the parameters of operations and
in the cells of files."""

from __future__ import annotations

from typing import Any

import pytest
from django.apps import apps
from django.db import connection

from sites.changes.operations import Operation, operations
from sites.changes.parameters import MOST_IDS
from zones.asbuilt.cells import Cell, Listed, Text
from zones.asbuilt.formats import ALL, FileKind

TABLES = sorted(
    model._meta.db_table
    for label in ("sites", "zones")
    for model in apps.get_app_config(label).get_models(include_auto_created=True)
)
LONG = 1_000_000
# What no person writes: rows of one statement, what the service says of its own figures, its own answers, and
# whose customers they were
OF_THE_SERVICE = {
    ("change", "old_rows"),
    ("change", "new_rows"),
    ("event", "body"),
    ("finding", "attribution"),
    ("finding", "clearing"),
    ("kept_answer", "headers"),
    ("kept_answer", "customer_ids"),
    ("person_removal", "rows_changed"),
}


def columns() -> list[tuple[str, str, str, int]]:
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT c.relname, a.attname, format_type(a.atttypid, NULL), a.atttypmod
               FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid JOIN pg_type t ON t.oid = a.atttypid
               WHERE c.relname = ANY(%s) AND c.relnamespace = 'public'::regnamespace AND c.relkind = 'r'
                 AND a.attnum > 0 AND NOT a.attisdropped
                 AND (t.typname IN ('text', 'varchar', 'json', 'jsonb') OR t.typcategory = 'A')""",
            [TABLES],
        )
        return list(cursor.fetchall())


def refused_when_long(table: str, column: str, kind: str) -> bool:
    """Whether a rule of the table refuses a value of the column that has a million characters, or items."""
    if kind.endswith("[]"):
        # of numbers, of words and of days
        one = "2026-11-29" if kind == "date[]" else "1"
        long = f"array_fill('{one}'::{kind[:-2]}, ARRAY[{LONG}])"
    elif kind == "jsonb":
        long = f"(SELECT jsonb_agg(n) FROM generate_series(1, {LONG}) AS n)"
    else:
        long = f"repeat('x', {LONG})::{kind}"
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT pg_get_constraintdef(k.oid), "
            "(SELECT array_agg(a.attname::text) FROM pg_attribute a "
            " WHERE a.attrelid = k.conrelid AND a.attnum = ANY(k.conkey)) "
            "FROM pg_constraint k WHERE k.conrelid = %s::regclass AND k.contype = 'c'",
            [f'"{table}"'],
        )
        for rule, of in cursor.fetchall():
            if column not in (of or []):
                continue
            condition = rule.removeprefix("CHECK ").removesuffix(" NOT VALID")
            # The other columns of the rule are not recorded
            row = ", ".join(_value(name, column, long, table) for name in of)
            cursor.execute(f"SELECT {condition} FROM (SELECT {row}) AS one")
            if cursor.fetchone()[0] is False:
                return True
    return False


def _value(name: str, column: str, long: str, table: str) -> str:
    value = long if name == column else f'(SELECT "{name}" FROM "{table}" WHERE false)'
    return f'{value} AS "{name}"'


@pytest.mark.django_db
def test_every_text_and_array_of_the_database_has_a_limit() -> None:
    unlimited = {
        (table, column)
        for table, column, kind, length in columns()
        if not (kind == "character varying" and length > 0) and not refused_when_long(table, column, kind)
    }
    assert unlimited == OF_THE_SERVICE


def unlimited(schema: Any, path: str = "") -> list[str]:
    """Where a schema of a request has a text or a list without a limit."""
    if isinstance(schema, list):
        return [found for place, one in enumerate(schema) for found in unlimited(one, f"{path}/{place}")]
    if not isinstance(schema, dict):
        return []
    found = [one for name, inner in schema.items() for one in unlimited(inner, f"{path}/{name}")]
    kinds = schema.get("type", ())
    kinds = [kinds] if isinstance(kinds, str) else kinds
    # A day or a time is of so many characters; of any other format there is no limit to a text
    is_short = {"maxLength", "enum", "const"} & set(schema) or schema.get("format") in ("date", "date-time")
    if "string" in kinds and not is_short:
        found.append(path)
    if "array" in kinds and "maxItems" not in schema:
        found.append(path)
    return found


def test_a_format_alone_is_no_limit() -> None:
    formats = ["date", "date-time", "uri", "email"]
    schema = {name: {"type": "string", "format": name} for name in formats}
    assert unlimited(schema) == ["/uri", "/email"]


@pytest.mark.parametrize("each", operations(), ids=lambda each: each.name)
def test_every_parameter_has_a_limit(each: Operation[Any, Any]) -> None:
    assert unlimited(each.schema) == []
    for one in each.parameters.values():
        assert unlimited(one.schema(labels=False)) == []
        if one.many:
            assert f"at most {MOST_IDS}" in one.expected


@pytest.mark.parametrize("kind", ALL, ids=lambda kind: kind.name)
def test_every_cell_has_a_limit(kind: FileKind) -> None:
    for column in kind.all_columns:
        assert limit_of(column.cell), column.name


def limit_of(cell: Cell) -> bool:
    """Whether what the cell reads is limited; numbers, words and days are by what they are."""
    if isinstance(cell, Listed):
        most = cell.most if cell.fact is None else cell.fact.max_items
        return most > 0 and f"up to {most}" in cell.notation and limit_of(cell.of)
    return not isinstance(cell, Text) or "maxLength" in cell.fact.schema
