"""Records the statements that are sent to the database."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from unittest import mock

import psycopg
from django.db import connection
from django.test.utils import CaptureQueriesContext


@contextmanager
def statements() -> Iterator[list[str]]:
    """All statements that this thread sends meanwhile, complete at the end; of a COPY the query in it."""
    sent: list[str] = []
    copy = psycopg.Cursor.copy

    def noted(cursor: Any, statement: Any, *args: Any, **kwargs: Any) -> Any:
        sent.append(statement.removeprefix("COPY ").rpartition(" TO STDOUT")[0])
        return copy(cursor, statement, *args, **kwargs)

    with mock.patch.object(psycopg.Cursor, "copy", noted), CaptureQueriesContext(connection) as captured:
        yield sent
    sent += [each["sql"] for each in captured.captured_queries]
