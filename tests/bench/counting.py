"""What PostgreSQL counts of a connection's work: rows that a scan of a table or of an index gave, whether or
not they were kept, and pages of 8 kB, whether or not they were in memory.

An index-only scan counts like any other. Rows of what all customers share, such as the catalogue, are not
counted. The way down an index is not counted either, since an index of more rows is deeper: each lookup is
taken off with the levels that its index has.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import psycopg
from django.db import connection

from api.database.cluster import SUPERUSER
from tests.api.plans import OF_NO_FLEET


class Counts(NamedTuple):
    """pages: without the ways down indexes."""

    pages: float
    rows: float
    seconds: float = 0.0


def counted(action: Callable[[], object]) -> Counts:
    before, began = counts(), time.perf_counter()
    action()
    took = time.perf_counter() - began
    after = counts()
    return Counts(after.pages - before.pages, after.rows - before.rows, took)


_COUNTS = """
SELECT (SELECT sum(seq_tup_read) FROM pg_stat_user_tables WHERE relname <> ALL(%(of_no_fleet)s))
    + (SELECT sum(idx_tup_read) FROM pg_stat_user_indexes WHERE relname <> ALL(%(of_no_fleet)s)),
    (SELECT blks_hit + blks_read FROM pg_stat_database WHERE datname = current_database())
    - (SELECT sum(idx_scan * levels) FROM pg_stat_user_indexes
        JOIN unnest(%(indexes)s::oid[], %(levels)s::int[]) AS way(indexrelid, levels) USING (indexrelid))
"""


def counts() -> Counts:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_stat_force_next_flush()")
        cursor.execute("SELECT pg_stat_clear_snapshot()")
        indexes, levels = ways_down()
        cursor.execute(_COUNTS, {"of_no_fleet": sorted(OF_NO_FLEET), "indexes": indexes, "levels": levels})
        rows, pages = cursor.fetchone()
    return Counts(float(pages), float(rows))


@cache
def ways_down() -> tuple[list[int], list[int]]:
    """The trees among the indexes, and how many pages lie on the way to a leaf and at its end."""
    connection.ensure_connection()
    info = connection.connection.info
    address = {"host": info.host, "port": info.port, "dbname": info.dbname, "user": SUPERUSER}
    with psycopg.connect(**address) as above:
        above.execute("CREATE EXTENSION IF NOT EXISTS pageinspect")
        found = above.execute(
            "SELECT index.oid::bigint, (bt_metap(index.oid::regclass::text)).level + 1 FROM pg_class AS index"
            " JOIN pg_am ON pg_am.oid = index.relam JOIN pg_stat_user_indexes ON indexrelid = index.oid"
            " WHERE amname = 'btree'"
        ).fetchall()
        above.rollback()
    return [oid for oid, _ in found], [levels for _, levels in found]
