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
    with _writing(str(change_set.pk)):
        yield


@contextmanager
def each_row_context() -> Iterator[None]:
    """Rows inserted inside each name a change set that this transaction has accepted for their site."""
    with _writing(_EACH_ROW):
        yield


@contextmanager
def bulk_lane() -> Iterator[None]:
    """Sites written inside are rechecked after those that a person waits for."""
    before = _set_local("zonebook.lane", "bulk")
    yield
    _set_local("zonebook.lane", before)


@contextmanager
def _writing(change_set: str) -> Iterator[None]:
    before = _set_local("zonebook.change_set", change_set)
    yield
    # After an error the transaction, or its savepoint, is rolled back, and the setting with it. Deferred
    # keys are checked here, where the operation is at hand, and not at commit
    with connection.cursor() as cursor:
        cursor.execute(
            "SET CONSTRAINTS ALL IMMEDIATE; SET CONSTRAINTS ALL DEFERRED; "
            f"SELECT set_config('zonebook.change_set', {_literal(before)}, true)"
        )


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


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
