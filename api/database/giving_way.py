"""Migrations that give way: whoever reads or writes meanwhile waits for one no longer than half a second.

A lock that stops others is asked for with a short `lock_timeout`, since whoever comes later queues behind the
one who asks. That alone bounds neither several locks of one migration nor the work it does once it has them,
so a second connection looks who waits for the migration, and cancels it before the half second is over.
Either way the migration is rolled back, and `manage.py migrate` tries it again."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import psycopg
from django.db import transaction

if TYPE_CHECKING:
    from django.db.backends.base.base import BaseDatabaseWrapper

LONGEST_WAIT_S = 0.5
"""What readers and writers are promised."""

# Below the promise by what a look, a cancel and a rollback take on a busy machine
LOCK_TIMEOUT_S = 0.3
CANCEL_AFTER_S = 0.35
_LOOK_EVERY_S = 0.04
# A vacuum that nobody started gives way to whoever waits for deadlock_timeout, by default 1 s
_VACUUM_GIVES_WAY_S = 3.0

_WAITING_FOR = """
SELECT coalesce(extract(epoch FROM max(clock_timestamp() - waitstart)), 0)::float8
FROM pg_locks WHERE NOT granted AND pid <> %(pid)s AND %(pid)s = ANY (pg_blocking_pids(pid))"""
_IN_THE_WAY = """
SELECT a.pid, coalesce(a.usename, a.backend_type, 'the server itself'), nullif(a.application_name, ''),
       extract(epoch FROM clock_timestamp() - a.xact_start)::int,
       left(regexp_replace(nullif(a.query, '<insufficient privilege>'), '\\s+', ' ', 'g'), 100),
       (SELECT l.relation::regclass::text FROM pg_locks l
        WHERE l.pid = %(pid)s AND NOT l.granted AND l.locktype = 'relation'),
       EXISTS (SELECT FROM pg_locks held JOIN pg_locks mine USING (relation)
               WHERE held.pid = a.pid AND held.granted AND held.mode = 'ShareUpdateExclusiveLock'
                 AND mine.pid = %(pid)s AND NOT mine.granted)
FROM pg_stat_activity a WHERE a.pid = ANY (pg_blocking_pids(%(pid)s))"""


class Lookout:
    """A connection of its own beside the migrating one."""

    def __init__(self, connection: BaseDatabaseWrapper) -> None:
        connection.ensure_connection()  # where there is no database, it says so as it always does
        self.connection = connection
        self.session: psycopg.Connection[Any] = connection.get_new_connection(
            connection.get_connection_params()
        )
        self.session.autocommit = True
        self.waited_s = 0.0
        """How long someone had waited when the migration was cancelled; 0 where it was not."""
        self.in_the_way: list[str] = []
        """Who held what the migration last waited for."""
        self.maintained: str | None = None
        """The table that it last waited for, where a vacuum or its like was at it."""

    def close(self) -> None:
        self.session.close()

    def only_one(self) -> bool:
        """Whether no other migration runs in this database; from then on none does until `close`."""
        found = self.session.execute("SELECT pg_try_advisory_lock(hashtext('zonebook migrate'))").fetchone()
        return bool(found and found[0])

    @contextmanager
    def give_way(self, *, atomic: bool) -> Iterator[None]:
        """Around a migration, which is recorded in the transaction that makes it.

        1. Where a migration is not atomic, it builds an index beside the work, and its locks stop nobody: it
           may wait.
        2. The lookout ends before the commit, so that no cancel meets what comes after.
        """
        self.waited_s, self.in_the_way, self.maintained = 0.0, [], None
        alias = self.connection.alias
        if not atomic:
            with self._looking():
                yield
            return
        with transaction.atomic(using=alias):
            with self.connection.cursor() as cursor:
                cursor.execute(f"SET LOCAL lock_timeout = '{LOCK_TIMEOUT_S * 1000:.0f}ms'")
            with self._looking():
                yield

    @contextmanager
    def _looking(self) -> Iterator[None]:
        with self.connection.cursor() as cursor:
            cursor.execute("SELECT pg_backend_pid()")
            (pid,) = cursor.fetchone()
        over = threading.Event()
        amiss: list[psycopg.Error] = []

        def look_on() -> None:
            try:
                while not over.wait(_LOOK_EVERY_S):
                    self._look(pid)
            except psycopg.Error as error:  # told below, in the command's own thread
                amiss.append(error)

        thread = threading.Thread(target=look_on, name="lookout", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
        if amiss:
            raise amiss[0]

    def _look(self, pid: int) -> None:
        waited = self.session.execute(_WAITING_FOR, {"pid": pid}).fetchone()
        if waited and waited[0] > CANCEL_AFTER_S:
            self.waited_s = waited[0]
            self.session.execute("SELECT pg_cancel_backend(%s)", [pid])
        found = self.session.execute(_IN_THE_WAY, {"pid": pid}).fetchall()
        if found:
            self.in_the_way = [_said(*row[:6]) for row in found]
            self.maintained = next((row[5] for row in found if row[6]), None)

    def send_maintenance_away(self) -> None:
        """Wait behind a vacuum that nobody started until it gives way: with a lock that stops no reader and
        no writer, and so for longer than a migration may wait."""
        if self.maintained is None:
            return
        try:
            with self.session.transaction():
                self.session.execute(f"SET LOCAL lock_timeout = '{_VACUUM_GIVES_WAY_S:.0f}s'")
                self.session.execute(f"LOCK TABLE {self.maintained} IN SHARE UPDATE EXCLUSIVE MODE")
        except psycopg.errors.LockNotAvailable:
            return  # somebody's own VACUUM or index, which does not give way


def _said(
    pid: int, who: str, application: str | None, seconds: int | None, query: str | None, table: str | None
) -> str:
    since = "" if seconds is None else f", in a transaction for {seconds} s"
    name = f", {application}" if application else ""
    at = f"{table}: " if table else ""
    return f"{at}process {pid} ({who}{name}{since}): {query or 'query not shown'}"
