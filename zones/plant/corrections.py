"""The corrections of a record, in the order of their recording, and the record as it was before each.

Row by row out of the change record: an update is taken back where its value still stands, and in the later
rows that carried it on; a row that a correction added goes. A device that a correction found becomes a
splice, so that what was connected behind it later stays connected.
"""

from __future__ import annotations

import datetime as dt
import json
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import connection

from sites.models.changes import REWROTE, ChangeSet
from zones.models import PointFacts
from zones.plant.versions import THING_OF_FACTS, Key, Row, Version, key_of

Rows = dict[str, dict[Key, Row | None]]

# What the rows of each table are of: a kind of thing and the column that names it; "" : of the whole site
OF: Final = {
    "run": ("run", "id"), "run_facts": ("run", "run_id"), "point": ("run", "run_id"),
    "point_facts": ("run", "run_id"), "supply": ("supply", "id"), "supply_facts": ("supply", "supply_id"),
    "amplifier": ("amplifier", "id"), "amplifier_facts": ("amplifier", "amplifier_id"),
    "switch": ("switch", "id"), "switch_facts": ("switch", "switch_id"), "switch_port": ("port", "id"),
    "switch_port_facts": ("port", "port_id"), "endpoint": ("endpoint", "id"),
    "endpoint_facts": ("endpoint", "endpoint_id"), "zone_endpoint": ("endpoint", "endpoint_id"),
    "output": ("output", "id"), "block": ("block", "id"), "landing": ("block", "block_id"),
    "clip_facts": ("block", "block_id"), "reading": ("run", "run_id"), "zone": ("", ""),
    "zone_facts": ("", ""), "paging_set": ("", ""), "paging_set_zone": ("", ""), "site": ("", ""),
    "device_model": ("", ""), "cable_type": ("", ""),
}  # fmt: skip
_NO_FACT: Final = {"change_set_id", "version"}
_OF_A_DEVICE: Final = {"model_id", *PointFacts.LOADS, *PointFacts.COUNTS} - {"model"}


@dataclass(frozen=True)
class Rewrite:
    """What one statement of a correction wrote to a table: rows before and after it."""

    table: str
    operation: str
    before: Sequence[Row]
    after: Sequence[Row]

    def pairs(self) -> Iterator[tuple[Row, Row]]:
        """The rows of an update, each before and after."""
        before = {key_of(self.table, row): row for row in self.before}
        moved = []
        for row in self.after:
            was = before.pop(key_of(self.table, row), None)
            if was is None:
                moved.append(row)
            else:
                yield was, row
        yield from zip(before.values(), moved, strict=False)

    def changed(self) -> Iterator[tuple[Row, Row, set[str]]]:
        """The same, with the columns that differ."""
        for was, now in self.pairs():
            columns = {name for name in was.keys() | now.keys() if was.get(name) != now.get(name)}
            yield was, now, columns - _NO_FACT


@dataclass(frozen=True, eq=False)
class Correction:
    """A correction of the record, or of the catalogue. id: its change set."""

    id: int
    site_id: int
    kind: str
    recorded_at: dt.datetime
    rewrites: tuple[Rewrite, ...]

    def things(self) -> set[tuple[str, int]]:
        """What it wrote to: (kind, id); ("", 0) for what bears on a whole site."""
        found = set()
        for rewrite in self.rewrites:
            kind, column = OF[rewrite.table]
            for row in (*rewrite.before, *rewrite.after):
                if kind and row.get(column) is not None:
                    found.add((kind, int(row[column])))
                else:
                    found.add(("", 0))
        return found


def corrections_of(site_ids: Collection[int]) -> dict[int, list[Correction]]:
    """By site, its corrections in the order of their recording; sites without any are left out. One query.

    One of the catalogue is kept by a change set of each site concerned, which names the one that edited it.
    One that recorded the site itself leaves it standing: a record without its site has no figures.
    An imported one keeps itself what no statement rewrote (``REWROTE``).
    """
    with connection.cursor() as cursor:
        cursor.execute(
            """WITH correction AS (
                   SELECT id, site_id, kind, recorded_at, operations,
                       CASE operations -> 0 ->> 'op' WHEN 'catalogue.follow'
                           THEN (operations -> 0 ->> 'change_set')::bigint ELSE id END AS wrote
                   FROM change_set
                   WHERE site_id = ANY(%s::bigint[]) AND state = 'accepted'
                       AND kind IN ('correction', 'catalogue')
               )
               SELECT c.id, c.site_id, c.kind, c.recorded_at, wrote.table_name, wrote.operation,
                   wrote.old_rows, wrote.new_rows
               FROM correction c CROSS JOIN LATERAL (
                   SELECT change.id AS place, table_name, operation, old_rows, new_rows
                   FROM change WHERE change.change_set_id = c.wrote
                   UNION ALL
                   SELECT 0, o ->> 'table', 'update',
                       jsonb_build_array((r -> 'before') || held
                           || jsonb_strip_nulls(jsonb_build_object('end_step', b.step))),
                       jsonb_build_array((r -> 'after') || held
                           || jsonb_strip_nulls(jsonb_build_object('end_step', a.step)))
                   FROM jsonb_array_elements(c.operations) o
                       CROSS JOIN jsonb_array_elements(
                           CASE o ->> 'op' WHEN %s THEN o -> 'rows' ELSE '[]' END) r
                       LEFT JOIN change_set s ON s.id = (r ->> 'since')::bigint
                       LEFT JOIN change_set b ON b.id = (r #>> '{ended,before}')::bigint
                       LEFT JOIN change_set a ON a.id = (r #>> '{ended,after}')::bigint,
                       jsonb_strip_nulls(jsonb_build_object('step', s.step)) held
               ) wrote
               WHERE wrote.table_name = ANY(%s)
                   AND NOT (wrote.table_name = 'site' AND wrote.operation = 'insert')
               ORDER BY c.site_id, c.recorded_at, c.id, wrote.place""",
            [sorted(site_ids), REWROTE, list(OF)],
        )
        rows = cursor.fetchall()
    found: dict[int, list[Correction]] = defaultdict(list)
    rewrites: dict[int, list[Rewrite]] = defaultdict(list)
    for id_, site_id, kind, recorded_at, table, operation, old, new in rows:
        if id_ not in rewrites:
            found[site_id].append(Correction(id_, site_id, kind, recorded_at, ()))
        rewrites[id_].append(Rewrite(table, operation, _loaded(old), _loaded(new)))
    return {
        site_id: [
            Correction(one.id, one.site_id, one.kind, one.recorded_at, tuple(rewrites[one.id])) for one in of
        ]
        for site_id, of in found.items()
    }


def undone(corrections: Sequence[Correction]) -> list[Version]:
    """The record of a site before each of its corrections, in their order: the first without any of them, the
    next with the first, and so on."""
    rows = _as_recorded(corrections)
    steps = dict(
        ChangeSet.objects.filter(site_id=corrections[0].site_id, step__isnull=False)
        .order_by()
        .values_list("step", "recorded_at")
    )
    found = []
    for correction in reversed(corrections):
        for rewrite in reversed(correction.rewrites):
            _take_back(rows, rewrite, correction, steps)
        found.append(
            Version(correction.site_id, {table: dict(of) for table, of in rows.items() if table != "point"})
        )
    return found[::-1]


def _as_recorded(corrections: Sequence[Correction]) -> Rows:
    """The rows that the corrections wrote, as they are now, with all other facts of the same things."""
    things: dict[str, set[int]] = defaultdict(set)
    for correction in corrections:
        for rewrite in correction.rewrites:
            column = THING_OF_FACTS.get(rewrite.table, "id")
            things[rewrite.table] |= {int(row[column]) for row in (*rewrite.before, *rewrite.after)}
    rows: Rows = {}
    with connection.cursor() as cursor:
        for table, ids in things.items():
            column = THING_OF_FACTS.get(table, "id")
            cursor.execute(
                f'SELECT jsonb_strip_nulls(to_jsonb(t)) FROM "{table}" t WHERE t.{column} = ANY(%s)',  # noqa: S608
                [sorted(ids)],
            )
            found = [_loaded(row) for (row,) in cursor.fetchall()]
            rows[table] = {key_of(table, row): row for row in found}
    return rows


def _take_back(
    rows: Rows, rewrite: Rewrite, correction: Correction, steps: Mapping[int | None, dt.datetime | None]
) -> None:
    table, of = rewrite.table, rows[rewrite.table]
    if rewrite.operation == "insert":
        found = {
            int(row["id"]) for each in correction.rewrites if each.table == "point" for row in each.after
        }
        for row in rewrite.after:
            key = key_of(table, row)
            is_found_device = table == "point_facts" and int(row["point_id"]) in found
            of[key] = _splice(of.get(key) or row) if is_found_device else None
    else:
        for was, now, columns in rewrite.changed():
            key = key_of(table, now)
            standing = of.get(key)
            if standing is None:
                continue
            if key_of(table, was) != key:
                of[key], key = None, key_of(table, was)
            own = {name for name in columns if standing.get(name) == now.get(name)}
            of[key] = _with_values(standing, was, own)
            if table in THING_OF_FACTS:
                _take_back_carried(of, key, now, was, own, correction.recorded_at, steps)


def _take_back_carried(
    of: dict[Key, Row | None],
    key: Key,
    now: Row,
    was: Row,
    columns: set[str],
    recorded_at: dt.datetime,
    steps: Mapping[int | None, dt.datetime | None],
) -> None:
    """Later rows of the same thing, written after the correction, carry its values on until they differ."""
    *thing, step = key
    carried = set(columns)
    for later in sorted(other for other in of if [*other[:-1]] == thing and other[-1] > step):
        row = of[later]
        when = steps.get(later[-1])
        if row is None or when is None or when <= recorded_at:
            continue
        carried = {name for name in carried if row.get(name) == now.get(name)}
        of[later] = _with_values(row, was, carried)


def _with_values(row: Row, given: Row, columns: set[str]) -> Row:
    values: dict[str, Any] = {name: value for name, value in row.items() if name not in columns}
    return values | {name: given[name] for name in columns if name in given}


def _splice(row: Row) -> Row:
    kept = {name: value for name, value in row.items() if name not in _OF_A_DEVICE}
    return kept | {"kind": PointFacts.Kind.SPLICE.value}


def _loaded(value: str | None) -> Any:
    # Django leaves JSON of its own cursors as text
    return [] if value is None else json.loads(value)
