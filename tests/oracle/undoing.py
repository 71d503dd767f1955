"""The record of a site without its last corrections, row by row out of the change record.

What a correction changed is changed back, in the row that it wrote and in those that later work copied it
into. What it added is taken away again; only a device that it found stays as a bare splice, for the sake of
what was connected behind it. An edit of the catalogue counts as a correction of each site that has a change
set of it.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from typing import Any

from django.db import connection

from sites.models import (
    Amplifier,
    AmplifierFacts,
    Block,
    CableType,
    Change,
    ChangeSet,
    DeviceModel,
    Endpoint,
    EndpointFacts,
    Output,
    Supply,
    SupplyFacts,
    Switch,
    SwitchFacts,
    SwitchPort,
    SwitchPortFacts,
)
from zones.models import (
    ClipFacts,
    Landing,
    PagingSet,
    PagingSetZone,
    Point,
    PointFacts,
    Run,
    RunFacts,
    Test,
    Zone,
    ZoneFacts,
)

Key = tuple[int, ...]
Json = dict[str, Any]
Tables = dict[str, dict[Key, Json]]

_FACTS = {
    RunFacts: "run_id", PointFacts: "point_id", SupplyFacts: "supply_id", AmplifierFacts: "amplifier_id",
    SwitchFacts: "switch_id", SwitchPortFacts: "port_id", EndpointFacts: "endpoint_id",
    ClipFacts: "block_id",
    ZoneFacts: "zone_id",
}  # fmt: skip
_THINGS = (
    Run, Point, Supply, Amplifier, Switch, SwitchPort, Endpoint, Output, Block, Landing, Zone, PagingSet,
    PagingSetZone, Test,
)  # fmt: skip
_SHARED = (DeviceModel, CableType)
_OWNER = {model._meta.db_table: column for model, column in _FACTS.items()}
_TABLES = [model._meta.db_table for model in (*_FACTS, *_THINGS, *_SHARED)]
_BARE = (
    "model_id", "speech_current_a", "idle_current_a", "tap_power_w", "count_low", "count_likely",
    "count_high",
)  # fmt: skip


def records_before(site_id: int) -> Iterator[tuple[int, Tables]]:
    """From the last correction to the first, its change set and the tables as they were before it, and before
    all that were recorded later."""
    tables = {table: _rows(table, site_id) for table in _TABLES}
    recorded = dict(
        ChangeSet.objects.filter(site=site_id, state="accepted").values_list("step", "recorded_at")
    )
    kinds = ["correction", "catalogue"]
    said = ChangeSet.objects.filter(site=site_id, state="accepted", kind__in=kinds)
    for correction in said.order_by("-recorded_at", "-id"):
        operations = correction.operations or [{}]
        followed = operations[0].get("change_set") if operations[0].get("op") == "catalogue.follow" else None
        changes = list(
            Change.objects.filter(change_set=followed or correction.pk, table_name__in=_TABLES).order_by(
                "-id"
            )
        )
        if not changes:
            continue
        found = {
            row["id"] for change in changes if change.table_name == "point" for row in change.new_rows or []
        }
        for change in changes:
            if change.operation == "insert":
                _take_away(tables, change, found)
            else:
                assert correction.recorded_at is not None
                _change_back(tables[change.table_name], change, correction.recorded_at, recorded)
        yield correction.pk, {table: dict(rows) for table, rows in tables.items()}


def _rows(table: str, site_id: int) -> dict[Key, Json]:
    shared = table in [model._meta.db_table for model in _SHARED]
    where = "" if shared else f"WHERE site_id = {site_id}"
    with connection.cursor() as cursor:
        cursor.execute(f'SELECT to_jsonb(t)::text FROM "{table}" t {where}')
        rows = [json.loads(text) for (text,) in cursor.fetchall()]
    return {_key(table, row): row for row in rows}


def _key(table: str, row: Json) -> Key:
    if table not in _OWNER:
        return (row["id"],)
    part = (row["row"],) if table == ClipFacts._meta.db_table else ()
    return (row[_OWNER[table]], *part, row["step"])


def _take_away(tables: Tables, change: Change, found: set[int]) -> None:
    table = change.table_name
    if table == "point":
        return
    for row in change.new_rows or []:
        key = _key(table, row)
        if table == "point_facts" and row["point_id"] in found:
            bare = dict.fromkeys(_BARE) | {"device_kind": 0, "kind": PointFacts.Kind.SPLICE.value}
            tables[table][key] = tables[table][key] | bare
        else:
            tables[table].pop(key, None)


def _change_back(
    rows: dict[Key, Json], change: Change, corrected_at: dt.datetime, recorded: dict[int | None, Any]
) -> None:
    table = change.table_name
    were = {_key(table, row): row for row in change.old_rows or []}
    for now in change.new_rows or []:
        key = _key(table, now)
        was = were[key]
        for column in sorted((was.keys() | now.keys()) - {"change_set_id", "version"}):
            said = now.get(column)
            if was.get(column) == said or key not in rows or rows[key].get(column) != said:
                continue
            rows[key] = rows[key] | {column: was.get(column)}
            if table not in _OWNER:
                continue
            for later in sorted(other for other in rows if other[:-1] == key[:-1] and other > key):
                when = recorded.get(later[-1])
                if when is None or when <= corrected_at:
                    continue
                if rows[later].get(column) != said:
                    break
                rows[later] = rows[later] | {column: was.get(column)}
