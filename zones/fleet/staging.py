"""Numbers into PostgreSQL at speed: a structured array is already the binary COPY of its rows.

Every staged column is eight bytes and never null, so nothing is formatted, and no Python object is made per
value; SQL turns the numbers into rows of the record (``zones.fleet.tables``).
"""

# ruff: noqa: S608 - names of tables and columns are in zones.fleet
from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from zones.fleet.batch import Columns, Ints
from zones.fleet.tables import CHANGE_SETS, Target

_SIGNATURE = b"PGCOPY\n\xff\r\n\0" + bytes(8)
_TRAILER = b"\xff\xff"


def take_ids(cursor: Any, table: str, count: int) -> Ints:
    """(count,) new ids of a table, ascending.

    The sequence is looked up once, and the ids come as one array: a row each would cost more on both sides
    than all the staging.
    """
    cursor.execute(
        "SELECT array_agg(nextval(ids.sequence)) FROM generate_series(1, %s), "
        "(SELECT pg_get_serial_sequence(%s, 'id')::regclass AS sequence OFFSET 0) AS ids",
        [count, table],
    )
    (ids,) = cursor.fetchone()
    return np.array(ids or [], np.int64)


def stage(cursor: Any, name: str, columns: Columns) -> None:
    """Put columns into the temporary table ``staged_<name>``, in place of those that it held."""
    types = {column: "float8" if v.dtype.kind == "f" else "int8" for column, v in columns.items()}
    declared = ", ".join(f'"{column}" {kind} NOT NULL' for column, kind in types.items())
    cursor.execute(f"CREATE TEMPORARY TABLE IF NOT EXISTS staged_{name} ({declared})")
    cursor.execute(f"TRUNCATE staged_{name}")
    layout: list[tuple[str, str]] = [("fields", ">i2")]
    for column, kind in types.items():
        layout += [(f"length of {column}", ">i4"), (column, ">f8" if kind == "float8" else ">i8")]
    rows = np.empty(len(next(iter(columns.values()))), np.dtype(layout))
    rows["fields"] = len(columns)
    for column, values in columns.items():
        rows[f"length of {column}"] = 8
        rows[column] = values
    listed = ", ".join(f'"{column}"' for column in columns)
    with cursor.copy(f"COPY staged_{name} ({listed}) FROM STDIN (FORMAT binary)") as stream:
        stream.write(_SIGNATURE)
        stream.write(rows.tobytes())
        stream.write(_TRAILER)


def accept(cursor: Any) -> Ints:
    """(n,) steps that the database gives the staged change sets, in the order of their ids: those of one site
    are accepted in that order."""
    made = {"id": "id", **CHANGE_SETS.columns}
    cursor.execute(
        f"WITH accepted AS ({_into(CHANGE_SETS, made)} ORDER BY id RETURNING id, step) "
        "SELECT array_agg(step ORDER BY id) FROM accepted"
    )
    (steps,) = cursor.fetchone()
    return np.array(steps, np.int64)


def insert(cursor: Any, target: Target) -> None:
    """From the staged rows into the record."""
    made = dict(target.columns)
    if target.numbered:
        made["id"] = "id"
    if target.table != "site":
        made["site_id"] = "site"
    made["change_set_id"] = "change_set_id"
    if target.dated:
        made[target.dated] = "step"
    cursor.execute(_into(target, made))


def _into(target: Target, made: Mapping[str, str]) -> str:
    return (
        f'INSERT INTO "{target.table}" ({", ".join(made)}) '
        f"SELECT {', '.join(made.values())} FROM staged_{target.source}"
    )
