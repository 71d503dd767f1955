"""A plant of sites as their records were before a correction.

The same SQL reads it. A WITH clause puts a table of the version in the place of the record's, and the ids of
each version are moved apart, so that many versions are one plant.
"""

# ruff: noqa: S608 - the names in the SQL are those of tables, the rows are quoted by the driver
from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from psycopg import sql

from zones.electrical.plant import Plant
from zones.plant.columns import Columns
from zones.plant.selectors import joined, read_columns

Row = Mapping[str, Any]
"""A row as JSON; a column that is not there is NULL."""
Key = tuple[int, ...]

THING_OF_FACTS: Final = {
    "run_facts": "run_id", "point_facts": "point_id", "supply_facts": "supply_id",
    "amplifier_facts": "amplifier_id", "switch_facts": "switch_id", "switch_port_facts": "port_id",
    "endpoint_facts": "endpoint_id", "zone_facts": "zone_id", "clip_facts": "block_id",
}  # fmt: skip
"""Tables of dated facts, and the column of the thing that they are of."""
_PART: Final = {"clip_facts": ("row",)}
"""Which part of the thing a row is of, for tables whose rows are not of the whole thing."""
CATALOGUE: Final = ("device_model", "cable_type")
STRIDE: Final = 1 << 46
"""The ids of the n-th version are those of the record, and n times this more."""
_IDS: Final = {"id", "site", "zone_id", "set_id", "reading_id", "address_code", "model_id", "cable_id"}


class Version(NamedTuple):
    """A site with some of its rows replaced. rows: by table and key, the row instead; None: no row."""

    site_id: int
    rows: Mapping[str, Mapping[Key, Row | None]]


def key_columns(table: str) -> tuple[str, ...]:
    """What a row of a table is found by."""
    if table not in THING_OF_FACTS:
        return ("id",)
    return (THING_OF_FACTS[table], *_PART.get(table, ()), "step")


def key_of(table: str, row: Row) -> Key:
    return tuple(int(row[column]) for column in key_columns(table))


def read_versions(versions: Sequence[Version]) -> Plant:
    """The plant of some versions: its n-th site is the n-th of them. One query a version."""
    parts: dict[str, list[Columns]] = {}
    for number, version in enumerate(versions):
        for name, columns in read_columns([version.site_id], _in_place(version)).items():
            parts.setdefault(name, []).append(
                {column: _apart(column, values, number) for column, values in columns.items()}
            )
    return joined(
        {
            name: {column: np.concatenate([part[column] for part in of]) for column in of[0]}
            for name, of in parts.items()
        }
    )


def _apart(column: str, values: Any, number: int) -> Any:
    if column not in _IDS and not column.endswith("_index"):
        return values
    return np.where(values >= 0, values + number * STRIDE, values)


def _in_place(version: Version) -> dict[str, str]:
    """The tables of the version, each of which stands for the one of its name."""
    tables = {}
    for table, rows in version.rows.items():
        own = ", ".join(f"o.{column}" for column in key_columns(table))
        keys = ", ".join("(" + ", ".join(f"{part}::bigint" for part in key) + ")" for key in rows)
        here = "true" if table in CATALOGUE else f"o.{_SITE.get(table, 'site_id')} = {version.site_id}"
        given = sql.Literal(json.dumps([row for row in rows.values() if row is not None])).as_string(None)
        tables[table] = (
            f'SELECT o.* FROM public."{table}" o'
            f" WHERE {here} AND ({own}) NOT IN (VALUES {keys})"
            f' UNION ALL SELECT n.* FROM jsonb_populate_recordset(NULL::public."{table}", {given}) n'
        )
    return tables


_SITE: Final = {"site": "id"}
"""The column that says of which site a row is, where that is not ``site_id``."""
