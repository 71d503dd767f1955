"""NumPy columns as parameters of a statement, in PostgreSQL's own binary form.

A list would become text a value at a time, and be parsed again on the other side: of a recheck that writes
every figure that took a quarter of the time.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import psycopg
from django.db import connection
from numpy.typing import NDArray
from psycopg.adapt import Dumper
from psycopg.pq import Format

Array = NDArray[Any]


class _Whole(Dumper):
    """A column of integers as bigint[]."""

    format = Format.BINARY
    oid = psycopg.adapters.types["int8"].array_oid
    element_oid = psycopg.adapters.types["int8"].oid
    element: np.dtype[Any] = np.dtype(">i8")

    def dump(self, obj: Array) -> bytes:
        header = np.array(
            [1, 0, self.element_oid, len(obj), 1] if len(obj) else [0, 0, self.element_oid], ">i4"
        )
        elements = np.empty(len(obj), [("length", ">i4"), ("value", self.element)])
        elements["length"] = self.element.itemsize
        elements["value"] = obj
        return header.tobytes() + elements.tobytes()


class _Real(_Whole):
    """A column of numbers as double precision[]; NaN stays NaN."""

    oid = psycopg.adapters.types["float8"].array_oid
    element_oid = psycopg.adapters.types["float8"].oid
    element = np.dtype(">f8")


class _Column(Dumper):
    """Chooses by what the column holds."""

    format = Format.BINARY

    def dump(self, obj: Array) -> bytes:
        raise TypeError(f"a column of {obj.dtype} has no form in PostgreSQL")

    def get_key(self, obj: Array, _format: Any) -> Any:
        return (np.ndarray, obj.dtype.kind)

    def upgrade(self, obj: Array, _format: Any) -> Dumper:
        kinds: dict[str, type[Dumper]] = {"i": _Whole, "f": _Real}
        return kinds.get(obj.dtype.kind, _Column)(self.cls, self.connection)


def cursor_taking_arrays() -> Any:
    """A cursor of Django's connection, in its transaction and with its errors, whose parameters may be (n,)
    arrays."""
    connection.ensure_connection()
    cursor: Any = psycopg.Cursor(connection.connection)
    cursor.adapters.register_dumper(np.ndarray, _Column)
    wrapped = connection.make_debug_cursor if connection.queries_logged else connection.make_cursor
    return wrapped(cursor)
