"""A site's record, read row by row with plain SQL into dictionaries, and what of it holds at a step."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db import connection

Row = dict[str, Any]

_PLACED = (
    "block", "supply", "amplifier", "switch", "switch_port", "endpoint", "output", "zone", "zone_endpoint",
    "paging_set", "run", "landing",
)  # fmt: skip
_FACTS = {
    "supply_facts": "supply_id", "amplifier_facts": "amplifier_id", "switch_facts": "switch_id",
    "switch_port_facts": "port_id", "endpoint_facts": "endpoint_id", "run_facts": "run_id",
    "point_facts": "point_id",
}  # fmt: skip
_PLAIN = ("point", "paging_set_zone", "reading")


@dataclass
class Record:
    """site: its row. rows: by table, those of the site by id. facts: by table and thing, rows by step.
    models, cables: the catalogue by id. factors: those that differ from the default. change_sets: accepted
    ones of the site, by id."""

    site: Row
    rows: dict[str, dict[int, Row]] = field(default_factory=dict)
    facts: dict[str, dict[int, list[Row]]] = field(default_factory=dict)
    models: dict[int, Row] = field(default_factory=dict)
    cables: dict[int, Row] = field(default_factory=dict)
    factors: dict[str, float] = field(default_factory=dict)
    change_sets: dict[int, Row] = field(default_factory=dict)

    def standing(self, table: str, step: int) -> list[Row]:
        """Things that stand at the step, by id."""
        return [row for row in self.rows[table].values() if stands(row, step)]

    def at(self, table: str, thing: int, step: int) -> Row:
        """The facts of a thing that hold at the step; empty where nothing is recorded of it by then."""
        found: Row = {}
        for row in self.facts[table].get(thing, []):
            if row["step"] <= step:
                found = row
        return found

    def model(self, facts: Row) -> Row:
        """The catalogue's row of the model that some facts name; empty where the model is unknown."""
        return self.models.get(facts.get("model_id") or 0, {})

    def steps(self, up_to: int) -> list[int]:
        """Every step up to one at which something of this site begins, ends, or was measured."""
        steps = {row["step"] for things in self.facts.values() for rows in things.values() for row in rows}
        for table in _PLACED:
            for row in self.rows[table].values():
                steps.add(row["begin_step"])
                if row["end_step"] is not None:
                    steps.add(row["end_step"])
        steps |= {row["step"] for row in self.rows["reading"].values()}
        return sorted(step for step in steps if step <= up_to)


def stands(row: Row, step: int) -> bool:
    return row["begin_step"] <= step and (row["end_step"] is None or step < row["end_step"])


def read_record(site_id: int) -> Record:
    (site,) = _select("SELECT * FROM site WHERE id = %s", [site_id])
    record = Record(site)
    for table in (*_PLACED, *_PLAIN):
        found = _select(f'SELECT * FROM "{table}" WHERE site_id = %s ORDER BY id', [site_id])
        record.rows[table] = {row["id"]: row for row in found}
    for table, thing in _FACTS.items():
        of_thing = record.facts[table] = {}
        for row in _select(f'SELECT * FROM "{table}" WHERE site_id = %s ORDER BY step', [site_id]):
            of_thing.setdefault(row[thing], []).append(row)
    record.models = {row["id"]: row for row in _select("SELECT * FROM device_model", [])}
    record.cables = {row["id"]: row for row in _select("SELECT * FROM cable_type", [])}
    record.factors = {row["name"]: row["value"] for row in _select("SELECT * FROM factor", [])}
    accepted = "SELECT * FROM change_set WHERE site_id = %s AND state = 'accepted'"
    record.change_sets = {row["id"]: row for row in _select(accepted, [site_id])}
    return record


def _select(sql: str, values: Iterable[Any]) -> list[Row]:
    with connection.cursor() as cursor:
        cursor.execute(sql, list(values))
        assert cursor.description is not None
        names = [column.name for column in cursor.description]
        return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]
