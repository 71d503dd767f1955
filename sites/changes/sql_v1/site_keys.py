"""Composite foreign keys that keep every reference of a record row within its own site."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class SiteKey(NamedTuple):
    """``table`` (site_id, ``column``) refers to ``target`` (site_id, id)."""

    table: str
    column: str
    target: str

    @property
    def name(self) -> str:
        return f"{self.table}_{self.column.removesuffix('_id')}_of_its_site"


def add_site_keys(keys: Sequence[SiteKey]) -> str:
    return "".join(
        f'ALTER TABLE "{key.table}" ADD CONSTRAINT {key.name} FOREIGN KEY (site_id, {key.column}) '
        f'REFERENCES "{key.target}" (site_id, id);\n'
        for key in keys
    )


def drop_site_keys(keys: Sequence[SiteKey]) -> str:
    return "".join(f'ALTER TABLE "{key.table}" DROP CONSTRAINT {key.name};\n' for key in keys)


def add_spans(tables: Sequence[str]) -> str:
    """Checks that what stands from a step until an end ends after it begins."""
    return "".join(
        f'ALTER TABLE "{table}" ADD CONSTRAINT {table}_ends_after_it_begins CHECK (end_step > begin_step);\n'
        for table in tables
    )


def drop_spans(tables: Sequence[str]) -> str:
    return "".join(
        f'ALTER TABLE "{table}" DROP CONSTRAINT {table}_ends_after_it_begins;\n' for table in tables
    )
