"""What a migration that is not atomic leaves when it is cut off: an index that is built beside the work is
there before it is valid."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

from django.contrib.postgres.operations import AddIndexConcurrently, RemoveIndexConcurrently
from django.db.migrations import Migration, RunSQL, SeparateDatabaseAndState
from django.db.migrations.operations.base import Operation

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

_BUILDS = re.compile(
    r"\bCREATE\s+(?:UNIQUE\s+)?INDEX\s+CONCURRENTLY\s+(?:IF\s+NOT\s+EXISTS\s+)?\"?(\w+)", re.IGNORECASE
)


def drop_unfinished(connection: BaseDatabaseWrapper, migration: Migration, *, backwards: bool) -> None:
    """Before such a migration, which is not recorded as done: drop the indexes that it builds. Whatever is
    there under their names is from a try of it that was cut off."""
    with connection.cursor() as cursor:
        for name in built_beside(migration.operations, backwards=backwards):
            cursor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {connection.ops.quote_name(name)}")


def built_beside(operations: Iterable[Operation], *, backwards: bool) -> Iterator[str]:
    """Names of the indexes that these operations build CONCURRENTLY."""
    for operation in operations:
        if isinstance(operation, AddIndexConcurrently) and not backwards:
            yield operation.index.name
        elif isinstance(operation, RemoveIndexConcurrently) and backwards:
            yield operation.name
        elif isinstance(operation, SeparateDatabaseAndState):
            yield from built_beside(operation.database_operations, backwards=backwards)
        elif isinstance(operation, RunSQL):
            for statement in _statements(operation.reverse_sql if backwards else operation.sql):
                yield from _BUILDS.findall(statement)


def _statements(sql: Any) -> Iterator[str]:
    """RunSQL takes a text, or a list of texts and of texts with their parameters."""
    for statement in [sql] if isinstance(sql, str) else sql or []:
        yield statement if isinstance(statement, str) else statement[0]
