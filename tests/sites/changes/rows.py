"""Raw SQL against the record, as someone with a database client would write it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
import pytest
from django.db import IntegrityError, connection, transaction

from sites.models.changes import ChangeSet

_CHANGE_SET = """
INSERT INTO change_set (site_id, state, kind, purpose, channel, actor, reason, job_reference, happened_on,
 quiet,
                        operations, created_at, version)
VALUES (%s, 'accepted', %s, 'record', 'sql', 'R. Vale', 'written by hand', '', %s, false, '[]', now(), 1)
RETURNING id
"""


def sql(statement: str, *values: Any) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        return cursor.fetchall() if cursor.description else []


def accepted(site_id: int | None, *, kind: str = "work", happened_on: str = "2025-02-03") -> int:
    """An accepted change set of this transaction, by raw SQL."""
    return int(sql(_CHANGE_SET, site_id, kind, happened_on)[0][0])


def say(change_set_id: int | str) -> None:
    """Name the change set of the transaction."""
    sql("SELECT set_config('zonebook.change_set', %s, true)", str(change_set_id))


@contextmanager
def refused(rule: str) -> Iterator[None]:
    """Expects the database to refuse what is done inside, under the name of a rule."""
    with pytest.raises((IntegrityError, psycopg.IntegrityError)) as caught, transaction.atomic():
        yield
    # Django hands on what COPY raises as it is
    error: Any = caught.value if isinstance(caught.value, psycopg.Error) else caught.value.__cause__
    assert error.diag.constraint_name == rule, str(error)


def step(change_set: ChangeSet) -> int:
    """The step of an accepted change set of a site."""
    assert change_set.step is not None
    return change_set.step
