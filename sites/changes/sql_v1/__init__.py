"""The SQL by which the database itself holds the record, and how a migration installs it.

Frozen once released: databases have it. A change is a new package beside it, used by a new migration.

How a write is held to its change set
-------------------------------------
A transaction inserts its change set as ``accepted`` (or turns a draft into one), which gives it a step, and
names it: ``SET LOCAL zonebook.change_set = '41'``. Statement triggers with transition tables on every table
of the record then (1) refuse rows that name another change set, or one that was not accepted in this very
transaction, or one of another site; (2) refuse what no change set may do (rewrite facts instead of
superseding them, delete plant); (3) write one ``change`` row a statement, table and site; (4) mark the site
for a recheck where the rows feed a load. There are no row triggers on plant: a bulk write pays for one pass
over its rows.

A bulk writer of many sites names ``SET LOCAL zonebook.change_set = 'each row'``: then every row must itself
carry a change set accepted in this transaction for its site, and only INSERT and COPY are possible.

The JSON of change rows leaves out NULLs: a key that is absent was NULL.

Refusals carry SQLSTATE 23000 and a constraint name, as those of constraints do, so that one table
(``sites.changes.constraints``) puts all of them into words.
"""

from __future__ import annotations

import re

from django.db.migrations import RunSQL

# SECURITY DEFINER, because the service's role may not write the change record by itself.
DEFINER = "SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp"

_MADE = re.compile(
    r"^CREATE (?P<kind>FUNCTION|INDEX) (?P<name>\w+)"
    r"|^CREATE (?:CONSTRAINT )?TRIGGER (?P<trigger>\w+)[^;]*? ON (?P<on>\"?\w+\"?)"
    r"|^ALTER TABLE (?P<table>\"?\w+\"?) ADD CONSTRAINT (?P<constraint>\w+)",
    re.MULTILINE,
)


def install(sql: str) -> RunSQL:
    """The migration's step that runs ``sql``; taken back, it drops what the SQL made, the last first."""
    drops = [_drop(made) for made in _MADE.finditer(sql)]
    return RunSQL(sql, "".join(reversed(drops)) or RunSQL.noop)


def _drop(made: re.Match[str]) -> str:
    if made["kind"]:
        return f"DROP {made['kind']} {made['name']};\n"
    if made["trigger"]:
        return f"DROP TRIGGER {made['trigger']} ON {made['on']};\n"
    return f"ALTER TABLE {made['table']} DROP CONSTRAINT {made['constraint']};\n"
