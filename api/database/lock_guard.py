"""Lock-aware migrations: no reader or writer waits for a migration longer than half a second.

A lock that stops others is requested with a short `lock_timeout`, since later sessions queue behind the
request. That alone bounds neither several locks of one migration nor the work done once it has them, so a
second connection looks for sessions that wait for the migration, and cancels it before the half second is
over. Either way the migration is rolled back, and `manage.py migrate` tries it again."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import psycopg
from django.contrib.postgres.operations import AddIndexConcurrently, RemoveIndexConcurrently
from django.db import transaction
from django.db.migrations import Migration, RunSQL, SeparateDatabaseAndState
from django.db.migrations.operations.base import Operation

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

LONGEST_WAIT_S = 0.5
"""What readers and writers are promised."""

# Below that by what a look, a cancel and a rollback take on a busy machine
LOCK_TIMEOUT_S = 0.3
CANCEL_AFTER_S = 0.35
_LOOK_EVERY_S = 0.04
# An autovacuum ends once a session has waited for it for deadlock_timeout, by default 1 s
_AUTOVACUUM_ENDS_S = 3.0

_LONGEST_WAIT = """
SELECT coalesce(extract(epoch FROM max(clock_timestamp() - waitstart)), 0)::float8
FROM pg_locks WHERE NOT granted AND pid <> %(pid)s AND %(pid)s = ANY (pg_blocking_pids(pid))"""
_BLOCKERS = r"""
WITH wanted AS (SELECT relation, relation::regclass::text AS name FROM pg_locks
                WHERE pid = %(pid)s AND NOT granted AND locktype = 'relation')
SELECT concat(
           wanted.name || ': ', 'process ', a.pid, ' (',
           concat_ws(', ', coalesce(a.usename, a.backend_type, 'the server itself'),
                     nullif(a.application_name, ''),
                     'in a transaction for ' || extract(epoch FROM now() - a.xact_start)::int || ' s'),
           '): ',
           coalesce(left(regexp_replace(nullif(a.query, '<insufficient privilege>'), '\s+', ' ', 'g'), 100),
                    'query not shown')),
       (SELECT wanted.name FROM pg_locks held WHERE held.pid = a.pid AND held.granted
        AND held.mode = 'ShareUpdateExclusiveLock' AND held.relation = wanted.relation)
FROM pg_stat_activity a LEFT JOIN wanted ON true WHERE a.pid = ANY (pg_blocking_pids(%(pid)s))"""
_BUILDS_INDEX = re.compile(
    r"\bCREATE\s+(?:UNIQUE\s+)?INDEX\s+CONCURRENTLY\s+(?:IF\s+NOT\s+EXISTS\s+)?\"?(\w+)", re.IGNORECASE
)


def indexes_built_by(operations: Iterable[Operation], *, backwards: bool) -> Iterator[str]:
    """The indexes that they build CONCURRENTLY. By the operations: their SQL takes a second to write down."""
    for operation in operations:
        match operation:
            case SeparateDatabaseAndState():
                yield from indexes_built_by(operation.database_operations, backwards=backwards)
            case RunSQL():
                yield from _BUILDS_INDEX.findall(str(operation.reverse_sql if backwards else operation.sql))
            case AddIndexConcurrently() if not backwards:
                yield operation.index.name
            case RemoveIndexConcurrently() if backwards:
                yield operation.name


class LockGuard:
    """A connection of its own beside the migrating one."""

    def __init__(self, connection: BaseDatabaseWrapper) -> None:
        connection.ensure_connection()  # fails as usual where there is no database
        self.connection = connection
        self.session: psycopg.Connection[Any] = connection.get_new_connection(
            connection.get_connection_params()
        )
        self.session.autocommit = True
        self.waited_s = 0.0
        """How long a session had waited when the migration was cancelled; 0 where it was not."""
        self.blockers: list[str] = []
        """Who held what the migration last waited for."""
        self.vacuumed: str | None = None
        """The table that it last waited for, where a vacuum or index build held it."""

    def close(self) -> None:
        self.session.close()

    def is_alone(self) -> bool:
        """Whether no other migration runs in this database; from then on none does until `close`."""
        found = self.session.execute("SELECT pg_try_advisory_lock(hashtext('zonebook migrate'))").fetchone()
        return bool(found and found[0])

    @contextmanager
    def guarding(self, migration: Migration, *, backwards: bool) -> Iterator[None]:
        """Around a migration, which is recorded in the transaction that makes it.

        1. A migration that is not atomic builds an index CONCURRENTLY. Its locks stop no one, so it may wait.
        2. The look-out ends before the commit, so that no cancel hits a later statement.
        """
        self.waited_s, self.blockers, self.vacuumed = 0.0, [], None
        if not migration.atomic:
            self._drop_unfinished(migration, backwards=backwards)
            with self._looking_out():
                yield
            return
        with transaction.atomic(using=self.connection.alias):
            with self.connection.cursor() as cursor:
                cursor.execute(f"SET LOCAL lock_timeout = '{LOCK_TIMEOUT_S * 1000:.0f}ms'")
            with self._looking_out():
                yield

    def _drop_unfinished(self, migration: Migration, *, backwards: bool) -> None:
        """Drop the indexes that it builds: it is not recorded as done, so indexes of their names are from an
        interrupted try."""
        with self.connection.cursor() as cursor:
            for name in indexes_built_by(migration.operations, backwards=backwards):
                cursor.execute(f"DROP INDEX CONCURRENTLY IF EXISTS {self.connection.ops.quote_name(name)}")

    @contextmanager
    def _looking_out(self) -> Iterator[None]:
        migrating = {"pid": self.connection.connection.info.backend_pid}
        over = threading.Event()
        errors: list[psycopg.Error] = []

        def look_out() -> None:
            try:
                while not over.wait(_LOOK_EVERY_S):
                    self._look(migrating)
            except psycopg.Error as error:  # raised below, in the command's own thread
                errors.append(error)

        thread = threading.Thread(target=look_out, name="lock guard", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
        if errors:
            raise errors[0]

    def _look(self, migrating: dict[str, int]) -> None:
        waited = self.session.execute(_LONGEST_WAIT, migrating).fetchone()
        if waited and waited[0] > CANCEL_AFTER_S:
            self.waited_s = waited[0]
            self.session.execute("SELECT pg_cancel_backend(%(pid)s)", migrating)
        found = self.session.execute(_BLOCKERS, migrating).fetchall()
        if found:
            self.blockers = [blocker for blocker, _ in found]
            self.vacuumed = next((table for _, table in found if table), None)

    def wait_for_autovacuum(self) -> None:
        """Wait behind an autovacuum until it ends: with a lock that stops no reader and no writer, and so for
        longer than a migration may wait."""
        if self.vacuumed is None:
            return
        try:
            with self.session.transaction():
                self.session.execute(f"SET LOCAL lock_timeout = '{_AUTOVACUUM_ENDS_S:.0f}s'")
                self.session.execute(f"LOCK TABLE {self.vacuumed} IN SHARE UPDATE EXCLUSIVE MODE")
        except psycopg.errors.LockNotAvailable:
            return  # a VACUUM or index build that a user started: it continues
