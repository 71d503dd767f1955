"""Every write to a table that a plant is read from asks for a recheck, also of a table added later."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection

from zones.plant.selectors import read_plant

pytestmark = pytest.mark.django_db

# tgtype: 4 INSERT, 8 DELETE, 16 UPDATE; tgenabled: D disabled
_TRIGGERS = """
SELECT t.tgtype, encode(t.tgargs, 'escape'), p.proname, p.prosrc
FROM pg_trigger t JOIN pg_proc p ON p.oid = t.tgfoid
WHERE t.tgrelid = %s::regclass AND NOT t.tgisinternal AND t.tgenabled <> 'D'
"""
_EVENTS = {"INSERT": 4, "DELETE": 8, "UPDATE": 16}
_SHARED = {"device_model", "cable_type", "contract"}
"""Rows of which a new one bears on nothing before something of a site refers to it."""
_FIXED = {"change_set", "proofs_kept"}
"""A change set is read for when a row that names it was recorded, which does not change; the day from which
proofs are kept is written once, by a migration."""


def rows_of(statement: str, *values: Any) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(statement, values)
        return list(cursor.fetchall())


def tables_read() -> set[str]:
    """Tables that reading a plant reads: the transaction keeps a lock on each until it ends."""
    locked = """
        SELECT c.relname FROM pg_locks l JOIN pg_class c ON c.oid = l.relation
        WHERE l.pid = pg_backend_pid() AND c.relkind IN ('r', 'p') AND c.relnamespace = 'public'::regnamespace
    """
    assert rows_of(locked) == [], "this transaction has read nothing yet"
    read_plant([])
    return {table for (table,) in rows_of(locked)}


def heeding(table: str) -> list[tuple[int, str]]:
    """What each trigger of a table fires on, and its source, of those that leave a mark or refuse the write.

    Some leave one only where their argument says that the table feeds a load.
    """
    return [
        (int(fires), source)
        for fires, argument, name, source in rows_of(_TRIGGERS, table)
        if name.startswith("zonebook_refuse_")
        or ("zonebook_mark(" in source and ("TG_ARGV" not in source or argument.startswith("load\\")))
    ]


def test_every_table_that_a_plant_is_read_from_has_triggers_that_ask_for_a_recheck() -> None:
    read = tables_read()
    assert {"site", "run_facts", "point_facts", "reading", "factor", "device_model"} <= read
    silent = [
        f"{event} {table}"
        for table in sorted(read - _FIXED)
        for event, bit in _EVENTS.items()
        if (table not in _SHARED or event == "UPDATE") and not any(fires & bit for fires, _ in heeding(table))
    ]
    assert silent == []


def test_editing_the_catalogue_asks_for_a_recheck_of_all_that_refers_to_it() -> None:
    """A table that a plant is read from and that refers to the catalogue is looked for in the trigger."""
    read = sorted(tables_read())
    references = rows_of(
        """SELECT f.confrelid::regclass::text, f.conrelid::regclass::text, a.attname
           FROM pg_constraint f JOIN pg_attribute a ON a.attrelid = f.conrelid AND a.attnum = ANY(f.conkey)
           WHERE f.contype = 'f' AND f.confrelid = ANY(%s::regclass[])
             AND f.conrelid = ANY(%s::regclass[])""",
        sorted(_SHARED),
        read,
    )
    assert len(references) > 5
    unseen = [
        f"{table}.{column}"
        for edited, table, column in references
        if not any(
            re.search(rf"\bFROM {table} u JOIN edited e ON u\.{column} =", source)
            for _, source in heeding(edited)
        )
    ]
    assert unseen == []
