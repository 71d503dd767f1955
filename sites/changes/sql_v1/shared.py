"""Triggers on what all sites share (customers, contracts, the catalogue), and rights on the change record."""

# ruff: noqa: S608 - what is put into the SQL are the names in migrations
from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sites.changes.sql_v1 import DEFINER

# Tables that all sites share: customers, contracts, the catalogue. Their change set is of no site.
SHARED_FUNCTIONS = f"""
CREATE FUNCTION zonebook_shared_written() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    writer change_set;
    rows_written bigint;
    old_json jsonb;
    new_json jsonb;
BEGIN
    IF TG_OP <> 'INSERT' THEN
        SELECT count(*), jsonb_agg(jsonb_strip_nulls(to_jsonb(o)))
        INTO rows_written, old_json FROM old_rows o;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        SELECT count(*), jsonb_agg(jsonb_strip_nulls(to_jsonb(n)))
        INTO rows_written, new_json FROM new_rows n;
    END IF;
    IF rows_written > 0 THEN
        writer := zonebook_writer(zonebook_change_set(), NULL);
        PERFORM zonebook_note(writer.id, NULL, TG_TABLE_NAME, lower(TG_OP), rows_written, old_json, new_json);
    END IF;
    RETURN NULL;
END $$;

CREATE FUNCTION zonebook_shared_version() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.version := OLD.version + 1;
    RETURN NEW;
END $$;

CREATE FUNCTION zonebook_catalogue_version() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    NEW.version := OLD.version + 1;
    NEW.change_set_id := zonebook_change_set();
    RETURN NEW;
END $$;
"""


def watch_shared(table: str, *, version: str | None) -> str:
    """SQL that makes the triggers of a table that all sites share.

    ``version``: ``shared`` counts the row's version, ``catalogue`` also keeps the change set that last wrote
    it.
    """
    row_trigger = f"""
CREATE TRIGGER {table}_version BEFORE UPDATE ON "{table}"
    FOR EACH ROW EXECUTE FUNCTION zonebook_{version}_version();
"""
    return f"""
CREATE TRIGGER {table}_inserted AFTER INSERT ON "{table}" REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_shared_written();
CREATE TRIGGER {table}_updated AFTER UPDATE ON "{table}"
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_shared_written();
CREATE TRIGGER {table}_removed AFTER DELETE ON "{table}" REFERENCING OLD TABLE AS old_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_shared_written();
CREATE TRIGGER {table}_truncated BEFORE TRUNCATE ON "{table}"
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
{row_trigger if version else ""}"""


@dataclass(frozen=True)
class Users:
    """Editing what all sites share changes the load of the sites that use it: their marks, in the bulk lane.

    ``using``: (table, column) of rows that refer to an edited row of the table ``edited``. ``texts``:
    columns for people, whose edit marks no site.
    """

    name: str
    edited: str
    using: Sequence[tuple[str, str]]
    texts: Sequence[str]

    def create(self) -> str:
        # ``to_jsonb(row) - texts`` compares all ratings without naming each, the ones to come included
        texts = ", ".join(f"'{text}'" for text in (*self.texts, "version", "change_set_id"))
        users = "\n        UNION ".join(
            f"SELECT DISTINCT u.site_id FROM {table} u JOIN edited e ON u.{column} = e.id"
            for table, column in self.using
        )
        return f"""
CREATE FUNCTION zonebook_{self.name}() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
BEGIN
    PERFORM zonebook_mark(used.site_id, zonebook_change_set(), true) FROM (
        WITH edited AS (
            SELECT n.id FROM new_rows n JOIN old_rows o USING (id)
            WHERE to_jsonb(n) - ARRAY[{texts}] IS DISTINCT FROM to_jsonb(o) - ARRAY[{texts}]
        )
        {users}
    ) AS used ORDER BY used.site_id;
    RETURN NULL;
END $$;
CREATE TRIGGER {self.edited}_{self.name} AFTER UPDATE ON "{self.edited}"
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{self.name}();
"""


# A factor is in every computation.
FACTOR_MARKS = f"""
CREATE FUNCTION zonebook_factor_marks() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
BEGIN
    PERFORM zonebook_mark(site.id, zonebook_change_set(), true) FROM site ORDER BY site.id;
    RETURN NULL;
END $$;
CREATE TRIGGER factor_users_marked AFTER INSERT OR UPDATE OR DELETE ON factor
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_factor_marks();
"""

# The contract decides whether a test is overdue and whether an event is sent.
CONTRACT_MARKS = f"""
CREATE FUNCTION zonebook_coverage_marks() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
BEGIN
    IF TG_OP <> 'INSERT' THEN
        PERFORM zonebook_mark(covered.site_id, zonebook_change_set(), false)
        FROM (SELECT DISTINCT o.site_id FROM old_rows o) AS covered;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        PERFORM zonebook_mark(covered.site_id, zonebook_change_set(), false)
        FROM (SELECT DISTINCT n.site_id FROM new_rows n) AS covered;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER coverage_inserted_marks AFTER INSERT ON coverage REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_coverage_marks();
CREATE TRIGGER coverage_updated_marks AFTER UPDATE ON coverage
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_coverage_marks();
CREATE TRIGGER coverage_removed_marks AFTER DELETE ON coverage REFERENCING OLD TABLE AS old_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_coverage_marks();
"""


def take_rights_back(service: str) -> str:
    """SQL by which the service's role may read the change record and nothing else: triggers write it, as
    owner."""
    return f"""
DO $$ BEGIN
    IF current_user <> {_literal(service)} AND EXISTS (
        SELECT FROM pg_roles WHERE rolname = {_literal(service)}
    ) THEN
        EXECUTE format('REVOKE INSERT, UPDATE, DELETE, TRUNCATE ON change FROM %I', {_literal(service)});
        EXECUTE format('REVOKE UPDATE, DELETE, TRUNCATE ON secret_reveal FROM %I', {_literal(service)});
    END IF;
END $$;
"""


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
