"""What a migration does to a database that the last release serves on, seen in the catalogue and in the locks
it holds rather than in its text.

It may stop no session for longer than a moment: no table is rewritten, and none is read through under a lock
that keeps others from it. And it may break nothing: what the last release reads is still there, and what it
writes is still taken. (A new rule must be one that the last release keeps; that is shown under load.)"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, NamedTuple

from django.contrib.postgres.operations import AddIndexConcurrently, RemoveIndexConcurrently
from django.db import connection, transaction
from django.db.migrations import Migration, RunPython, RunSQL
from django.db.migrations.state import ProjectState

STOPS_WRITERS = ["ShareLock", "ShareRowExclusiveLock", "ExclusiveLock", "AccessExclusiveLock"]

# What is built is dropped first where it was cut off (api/database/lock_guard.py)
_REPEATABLE = re.compile(r"(CREATE (UNIQUE )?INDEX CONCURRENTLY|DROP INDEX CONCURRENTLY IF EXISTS) [^;]+;?")


class Column(NamedTuple):
    type: str
    length: int
    nullable: bool
    filled: bool
    """Where a row does not name it: by a default, or since it is computed."""
    checked: bool
    """Whether a validated constraint says that it is not null."""


@dataclass(frozen=True)
class Catalogue:
    columns: Mapping[tuple[str, str], Column]
    files: Mapping[str, int]
    """Table: the number of the file that holds its rows."""
    functions: frozenset[str]


def catalogue() -> Catalogue:
    columns = _rows("""
        SELECT c.relname, a.attname, t.typname, a.atttypmod, NOT a.attnotnull,
               a.atthasdef OR a.attidentity <> '' OR a.attgenerated <> '',
               EXISTS (SELECT FROM pg_constraint k
                       WHERE k.conrelid = c.oid AND k.contype = 'c' AND k.convalidated
                         AND pg_get_expr(k.conbin, k.conrelid) = format('(%I IS NOT NULL)', a.attname))
        FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid JOIN pg_type t ON t.oid = a.atttypid
        WHERE c.relnamespace = 'public'::regnamespace AND c.relkind = 'r' AND a.attnum > 0
          AND NOT a.attisdropped""")
    files = _rows("""
        SELECT relname, pg_relation_filenode(oid) FROM pg_class
        WHERE relnamespace = 'public'::regnamespace AND relkind = 'r'""")
    functions = _rows("""
        SELECT p.oid::regprocedure::text FROM pg_proc p
        WHERE p.pronamespace = 'public'::regnamespace
          AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e')""")
    return Catalogue(
        {(table, name): Column(*rest) for table, name, *rest in columns},
        dict(files),
        frozenset(name for (name,) in functions),
    )


def read_by(state: ProjectState) -> set[tuple[str, str]]:
    """The columns, with their tables, that code reads whose models are these."""
    found: set[tuple[str, str]] = set()
    for model in state.apps.get_models(include_auto_created=True):
        if model._meta.managed and not model._meta.proxy:
            fields = model._meta.local_concrete_fields
            found.update((model._meta.db_table, field.column) for field in fields if field.column)
    return found


@contextmanager
def undone() -> Iterator[None]:
    with transaction.atomic():
        yield
        transaction.set_rollback(True)


def faults_of(
    migration: Migration, state: ProjectState, released: Catalogue, reads: set[tuple[str, str]]
) -> list[str]:
    """Apply it to ``state`` and the database. ``released``: the database as the last release left it, and
    ``reads``: what of it that release reads."""
    before = catalogue()
    if not migration.atomic:
        faults = _unrepeatable(migration)
        with connection.schema_editor(atomic=False) as editor:
            migration.apply(state, editor)
        return [*faults, *_breaks(released, reads, catalogue()), *_rewrites(before, catalogue())]
    with transaction.atomic():
        counts = _counts()
        with connection.schema_editor(atomic=True) as editor:
            migration.apply(state, editor)
        after = catalogue()
        return [
            *_rewrites(before, after),
            *_stops(counts, set(before.files) - set(_rewritten(before, after))),
            *_breaks(released, reads, after),
        ]


def _unrepeatable(migration: Migration) -> list[str]:
    """One that is not atomic may be cut off in the middle, and is then made again from its beginning."""
    return [
        f"is not atomic, and could not be made again: {operation.describe()}"
        for operation in migration.operations
        if not (
            isinstance(operation, (AddIndexConcurrently, RemoveIndexConcurrently, RunPython))
            or (isinstance(operation, RunSQL) and _REPEATABLE.fullmatch(str(operation.sql)))
        )
    ]


def _rewritten(before: Catalogue, after: Catalogue) -> list[str]:
    return sorted(t for t, number in before.files.items() if after.files.get(t, number) != number)


def _rewrites(before: Catalogue, after: Catalogue) -> list[str]:
    return [f"rewrites {table}" for table in _rewritten(before, after)]


class Counts(NamedTuple):
    """What the transaction did to one table."""

    read_all: int = 0
    read_by_index: int = 0
    written: int = 0


def _counts() -> dict[str, Counts]:
    found = _rows("""
        SELECT relname, coalesce(seq_scan, 0), coalesce(idx_scan, 0), n_tup_upd + n_tup_del
        FROM pg_stat_xact_user_tables WHERE schemaname = 'public'""")
    return {table: Counts(*counts) for table, *counts in found}


def _stops(counts: Mapping[str, Counts], tables: set[str]) -> Iterator[str]:
    """What of tables that were there before it reads through, with what it holds meanwhile.

    Where no session may write, reading along an index counts too: the planner may check a reference so."""
    locked = {
        table
        for (table,) in _rows(
            """SELECT c.relname FROM pg_locks l JOIN pg_class c ON c.oid = l.relation
               WHERE l.pid = pg_backend_pid() AND l.granted AND l.mode = ANY (%s)""",
            [STOPS_WRITERS],
        )
    }
    for table, now in sorted(_counts().items()):
        before = counts.get(table, Counts())
        if table not in tables:
            continue
        read_all = now.read_all > before.read_all
        if table in locked and (read_all or now.read_by_index > before.read_by_index):
            yield f"reads {table} through while none may write to it"
        elif read_all and now.written > before.written:
            yield f"writes to {table} all through in one transaction"


def _breaks(released: Catalogue, reads: set[tuple[str, str]], now: Catalogue) -> Iterator[str]:
    """What the last release would miss, or could not write any more."""
    for key in sorted(reads & set(released.columns)):
        was, name = released.columns[key], ".".join(key)
        column = now.columns.get(key)
        if column is None:
            yield f"takes {name} away, which the last release reads"
            continue
        longer = column.length == -1 or column.length >= was.length > -1
        if not (column.type == was.type and longer) and (was.type, column.type) != ("varchar", "text"):
            yield f"changes the type of {name}"
        if was.nullable and not column.nullable and not was.checked:
            yield f"has {name} filled always, which the last release need not do"
        if was.filled and not column.filled and not column.nullable:
            yield f"takes the default of {name} away"
    tables = {table for table, _ in reads & set(released.columns)}
    for (table, name), column in sorted(now.columns.items()):
        unknown = (table, name) not in reads
        if table in tables and unknown and not (column.nullable or column.filled):
            yield f"wants {table}.{name} filled, of which the last release knows nothing"
    for function in sorted(released.functions - now.functions):
        yield f"takes {function} away, which the last release may call"


def _rows(query: str, parameters: list[Any] | None = None) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(query, parameters)
        return list(cursor.fetchall())
