"""Names the change set of the current transaction to the database (``SET LOCAL zonebook.change_set``)."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager

from django.db import connection

from sites.models.changes import ChangeSet

_EACH_ROW = "each row"


@contextmanager
def change_context(change_set: ChangeSet | None) -> Iterator[None]:
    """Rows written inside belong to ``change_set``, which this transaction has accepted."""
    before = _set_local("zonebook.change_set", str(change_set.pk) if change_set is not None else _EACH_ROW)
    yield
    # After an error the transaction, or its savepoint, is rolled back, and the setting with it. Deferred
    # keys are checked here, where the operation is at hand, and not at commit
    with connection.cursor() as cursor:
        cursor.execute(
            "SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED; "
            f"SELECT set_config('zonebook.change_set', '{before if before.isdecimal() else ''}', true)"
        )


def each_row_context() -> AbstractContextManager[None]:
    """Each row inserted inside names a change set that this transaction has accepted for its site."""
    return change_context(None)


@contextmanager
def bulk_lane() -> Iterator[None]:
    """Sites written inside are rechecked after those that a person waits for."""
    before = _set_local("zonebook.lane", "bulk")
    yield
    _set_local("zonebook.lane", before)


def _set_local(name: str, value: str) -> str:
    """Set ``name`` for the rest of the transaction; returns what it was."""
    if not connection.in_atomic_block:
        raise RuntimeError(f"{name} lasts as long as a transaction: enter transaction.atomic() first")
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT coalesce(current_setting(%s, true), ''), set_config(%s, %s, true)", [name, name, value]
        )
        before: str = cursor.fetchone()[0]
    return before
