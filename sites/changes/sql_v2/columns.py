"""Columns that come to tables that are in use."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.migrations import AddField, RunSQL, SeparateDatabaseAndState

from sites import fields
from sites.changes.sql_v1 import install


def word_column(
    model: str, table: str, column: str, words: Sequence[str], *, length: int
) -> SeparateDatabaseAndState:
    """A column of one of ``words`` or nothing. Its check holds for the rows that are there already, so none
    of them is read through here; a later migration validates it."""
    listed = ", ".join(f"'{word}'" for word in words)
    return SeparateDatabaseAndState(
        [
            RunSQL(
                f"ALTER TABLE {table} ADD COLUMN {column} varchar({length})",
                f"ALTER TABLE {table} DROP COLUMN {column}",
            ),
            install(
                f"ALTER TABLE {table} ADD CONSTRAINT {table}_{column}_check "
                f"CHECK ({column} IN ({listed})) NOT VALID;"
            ),
        ],
        [AddField(model, column, fields.WordField(list(words), blank=True, max_length=length, null=True))],
    )
