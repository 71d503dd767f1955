"""Transactions in which everything that is read is of one moment."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction
from psycopg import IsolationLevel


@contextmanager
def snapshot() -> Iterator[None]:
    """A transaction that sees the database as it is when it begins. Raises RuntimeError within another
    one."""
    if connection.in_atomic_block:
        raise RuntimeError("a snapshot begins with its transaction, and this one has begun")
    with _transaction_in_snapshot(read_only=False):
        yield


@contextmanager
def reading_snapshot() -> Iterator[None]:
    """All that is read inside is of one moment, and nothing is written. Within a transaction of the caller's,
    it is that one's business: a draft is evaluated under the site's lock, which does as much for that
    site."""
    if connection.in_atomic_block:
        yield
        return
    with _transaction_in_snapshot(read_only=True):
        yield


@contextmanager
def _transaction_in_snapshot(*, read_only: bool) -> Iterator[None]:
    connection.ensure_connection()
    session = connection.connection
    # said before the transaction begins, its BEGIN says so: no statement of its own
    session.isolation_level, session.read_only = IsolationLevel.REPEATABLE_READ, read_only or None
    try:
        with transaction.atomic():
            yield
    finally:
        if not session.closed:
            session.isolation_level = session.read_only = None
