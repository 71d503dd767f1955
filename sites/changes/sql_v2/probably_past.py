"""Whether what is only probably past opens a case is said by a contract and by a customer: an edit of either
marks the sites concerned, in the bulk lane."""

# ruff: noqa: S608 - what is put into the SQL are the names below
from __future__ import annotations

from django.db.migrations import RunSQL

from sites.changes.sql_v1 import DEFINER


def _marks(table: str, column: str, sites: str) -> RunSQL:
    """sites: SELECT of the ids of the sites of the rows ``edited``."""
    return RunSQL(
        f"""
CREATE FUNCTION zonebook_{table}_probably_past_marks() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
BEGIN
    PERFORM zonebook_mark(concerned.site_id, zonebook_change_set(), true) FROM (
        WITH edited AS (
            SELECT n.id FROM new_rows n JOIN old_rows o USING (id) WHERE n.{column} <> o.{column}
        )
        {sites}
    ) AS concerned ORDER BY concerned.site_id;
    RETURN NULL;
END $$;
CREATE TRIGGER {table}_updated_probably_past AFTER UPDATE ON {table}
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{table}_probably_past_marks();
""",
        f"""
DROP TRIGGER {table}_updated_probably_past ON {table};
DROP FUNCTION zonebook_{table}_probably_past_marks();
""",
    )


CUSTOMER_MARKS = _marks(
    "customer",
    "probably_past_opens_cases",
    "SELECT site.id AS site_id FROM site JOIN edited ON site.customer_id = edited.id",
)
CONTRACT_MARKS = _marks(
    "contract",
    "event_when_probable",
    "SELECT DISTINCT coverage.site_id FROM coverage JOIN edited ON coverage.contract_id = edited.id",
)
