"""Composite foreign keys that keep every reference of a record row within its own site."""

from __future__ import annotations

from collections.abc import Sequence


def add_site_keys(keys: Sequence[tuple[str, str, str]]) -> str:
    """SQL for (table, column, target): ``table`` (site_id, ``column``) refers to ``target`` (site_id, id)."""
    return "".join(
        f'ALTER TABLE "{table}" ADD CONSTRAINT {table}_{column.removesuffix("_id")}_of_its_site '
        f'FOREIGN KEY (site_id, {column}) REFERENCES "{target}" (site_id, id);\n'
        for table, column, target in keys
    )


def add_spans(tables: Sequence[str]) -> str:
    """Checks that what stands from a step until an end ends after it begins."""
    return "".join(
        f'ALTER TABLE "{table}" ADD CONSTRAINT {table}_ends_after_it_begins CHECK (end_step > begin_step);\n'
        for table in tables
    )
