"""The indexes that a migration builds beside the work are known before it begins; an autovacuum ends only for
a session that waits longer than a migration may."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.conf import settings
from django.contrib.postgres.operations import AddIndexConcurrently, RemoveIndexConcurrently
from django.db import OperationalError
from django.db.migrations import RunSQL, SeparateDatabaseAndState
from django.db.migrations.operations.base import Operation
from django.db.models import Index
from pytest_django import DjangoDbBlocker

from api.database import cluster, embedded
from api.database.backend.base import DatabaseWrapper
from api.database.lock_guard import LOCK_TIMEOUT_S, LockGuard, indexes_built_by

pytestmark = pytest.mark.slow

LONG_S = 60
ADDED = AddIndexConcurrently("point", Index(fields=["rank"], name="point_ranked"))
WRITTEN = RunSQL(
    "CREATE UNIQUE INDEX CONCURRENTLY IF NOT EXISTS point_placed ON point (place)",
    "DROP INDEX CONCURRENTLY IF EXISTS point_placed",
)
REMOVED = RemoveIndexConcurrently("point", "point_old")


@pytest.mark.parametrize(
    ("operations", "forwards", "back"),
    [
        ([ADDED], ["point_ranked"], []),
        ([WRITTEN], ["point_placed"], []),
        ([REMOVED], [], ["point_old"]),
        ([SeparateDatabaseAndState([ADDED, WRITTEN], [])], ["point_ranked", "point_placed"], []),
        ([RunSQL("DROP INDEX CONCURRENTLY a", "CREATE INDEX CONCURRENTLY a ON point (rank)")], [], ["a"]),
    ],
)
def test_the_indexes_that_a_migration_builds(
    operations: list[Operation], forwards: list[str], back: list[str]
) -> None:
    assert list(indexes_built_by(operations, backwards=False)) == forwards
    assert list(indexes_built_by(operations, backwards=True)) == back


@pytest.fixture
def owner(data_dir: Path, django_db_blocker: DjangoDbBlocker) -> Iterator[DatabaseWrapper]:
    """The owner's connection to a server of its own, which looks for work to do every second."""
    host = embedded.join(data_dir)
    with psycopg.connect(
        host=host, user=cluster.SUPERUSER, dbname=cluster.DATABASE, autocommit=True
    ) as superuser:
        superuser.execute("ALTER SYSTEM SET autovacuum_naptime = 1")
        superuser.execute("SELECT pg_reload_conf()")
    database = settings.DATABASES["default"] | {
        "ENGINE": "api.database.backend", "NAME": cluster.DATABASE, "USER": cluster.OWNER, "PASSWORD": "",
        "DATA_DIR": data_dir,
    }  # fmt: skip
    connection = DatabaseWrapper(database)
    with django_db_blocker.unblock():
        yield connection
        connection.close()
    embedded.leave(data_dir)


def test_an_autovacuum_is_waited_for(owner: DatabaseWrapper) -> None:
    alter = f"SET lock_timeout = {LOCK_TIMEOUT_S * 1000:.0f}; ALTER TABLE large ADD note text"
    with owner.cursor() as cursor:
        cursor.execute(
            """CREATE TABLE large WITH (
                   autovacuum_vacuum_threshold = 0, autovacuum_vacuum_scale_factor = 0,
                   autovacuum_vacuum_cost_delay = 100, autovacuum_vacuum_cost_limit = 1
               ) AS SELECT id, repeat('x', 500) AS words FROM generate_series(1, 10000) id"""
        )
        cursor.execute("UPDATE large SET words = 'y'")
        _wait_for_vacuum(cursor)
        guard = LockGuard(owner)
        with pytest.raises(OperationalError, match="lock timeout"), guard._looking_out():
            cursor.execute(alter)
        assert guard.vacuumed == "large"
        guard.wait_for_autovacuum()
        cursor.execute(alter)
        guard.close()


def _wait_for_vacuum(cursor: Any) -> None:
    for _ in range(LONG_S * 20):
        cursor.execute(
            """SELECT count(*) FROM pg_locks
               WHERE relation = 'large'::regclass AND mode = 'ShareUpdateExclusiveLock' AND granted"""
        )
        if cursor.fetchone() != (0,):
            return
        cursor.execute("SELECT pg_sleep(0.05)")
    pytest.fail(f"no vacuum within {LONG_S} s")
