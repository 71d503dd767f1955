"""A reading to put into a record, and the rows of a plant that was read from one."""

from __future__ import annotations

import datetime as dt
from typing import Any

from sites.changes.steps import first_step_after
from tests.zones.recording import DAY, SiteRecord
from zones.electrical.plant import Plant
from zones.models import Test

LATER = DAY + dt.timedelta(days=100)
LATEST = DAY + dt.timedelta(days=200)
NAMES = {
    "run": "run_id",
    "point": "point_id",
    "supply": "supply_id",
    "output": "output_id",
    "amplifier": "amplifier_id",
    "switch": "switch_id",
    "port": "port_id",
    "endpoint": "endpoint_id",
    "block": "block_id",
    "parent": "point_id",
    "feed_supply": "supply_id",
}


def rows(plant: Plant, table: str, **only: Any) -> list[dict[str, Any]]:
    """The rows that match, as dictionaries: indices turned into ids, NaN and −1 into None."""
    out = []
    columns = plant.tables[table]
    for i in range(len(columns)):
        row: dict[str, Any] = {}
        for name in columns.__dataclass_fields__:
            value = getattr(columns, name)[i].item()
            if name.endswith("_index") and name.removesuffix("_index") in NAMES:
                name = name.removesuffix("_index")
                value = getattr(plant, NAMES[name])[value].item() if value >= 0 else None
            elif value == -1 or value != value:
                value = None
            row[name] = value
        if all(row[name] == value for name, value in only.items()):
            out.append(row)
    return out


def expect(row: dict[str, Any], /, **expected: Any) -> None:
    assert {name: row[name] for name in expected} == expected


def reading(record: SiteRecord, day: dt.date, **facts: Any) -> Test:
    with record.change(day):
        return record.make(Test, taken_on=day, step=first_step_after(day) - 1, **facts)  # type: ignore[no-any-return]
