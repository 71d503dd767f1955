"""Names the change set of the current transaction to the database (``SET LOCAL zonebook.change_set``)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection

from .models import ChangeSet

_EACH_ROW = "each row"


@contextmanager
def change_context(change_set: ChangeSet) -> Iterator[None]:
    """Rows written inside belong to ``change_set``, which this transaction has accepted."""
    with _local("zonebook.change_set", str(change_set.pk)):
        yield


@contextmanager
def each_row_context() -> Iterator[None]:
    """Rows inserted inside each name a change set that this transaction has accepted for their site."""
    with _local("zonebook.change_set", _EACH_ROW):
        yield


@contextmanager
def bulk_lane() -> Iterator[None]:
    """Sites written inside are rechecked after those that a person waits for."""
    with _local("zonebook.lane", "bulk"):
        yield


@contextmanager
def _local(name: str, value: str) -> Iterator[None]:
    if not connection.in_atomic_block:
        raise RuntimeError(f"{name} lasts as long as a transaction: enter transaction.atomic() first")
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_setting(%s, true)", [name])
        before = cursor.fetchone()[0] or ""
        cursor.execute("SELECT set_config(%s, %s, true)", [name, value])
    yield
    # After an error the transaction, or its savepoint, is rolled back, and the setting with it
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config(%s, %s, true)", [name, before])
