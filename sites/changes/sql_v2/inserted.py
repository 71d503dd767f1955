"""The statement trigger of INSERT and COPY, with its change rows made at half the cost.

An array of rows becomes JSON in one pass, and loses its NULLs in another. Row by row (``sql_v1``) each was
made into JSON three times: by itself, without NULLs, and within its array. Of writing a fleet all that was a
quarter; the JSON is the same.
"""

from __future__ import annotations

from sites.changes.sql_v1 import DEFINER
from sites.changes.sql_v1.record import record_functions

_INSERTED = """
CREATE OR REPLACE FUNCTION zonebook_{shape}_inserted() RETURNS trigger LANGUAGE plpgsql {definer} AS $$
DECLARE
    written record;
    writer change_set;
BEGIN
    FOR written IN
        SELECT n.{site} AS of_site, n.change_set_id AS named, count(*) AS rows_written,
               {first_step} AS first_step, {last_step} AS last_step,
               jsonb_strip_nulls(to_jsonb(array_agg(n))) AS new_json
        FROM new_rows n GROUP BY n.{site}, n.change_set_id
    LOOP
        writer := zonebook_writer(written.named, written.of_site);
        IF writer.kind <> 'correction'
           AND (written.first_step <> writer.step OR written.last_step <> writer.step) THEN
            RAISE EXCEPTION 'a new row of % does not hold from the step of its change set', TG_TABLE_NAME
            USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_holds_from_its_own_step',
                HINT = 'leave the step out, or give that of change_set';
        END IF;
        PERFORM zonebook_note(
            writer.id, written.of_site, TG_TABLE_NAME, 'insert', written.rows_written, NULL,
            written.new_json);
        IF TG_ARGV[0] = 'load' THEN
            PERFORM zonebook_mark(written.of_site, writer.id, false);
        END IF;
    END LOOP;
    RETURN NULL;
END $$;
"""

_STEPS = {"placed": "begin_step", "facts": "step", "plain": None, "site": None}


def inserted_functions() -> str:
    """SQL that puts these in the place of those of ``sql_v1``."""
    return "".join(
        _INSERTED.format(
            shape=shape,
            definer=DEFINER,
            site="id" if shape == "site" else "site_id",
            first_step=f"min(n.{step})" if step else "NULL::bigint",
            last_step=f"max(n.{step})" if step else "NULL::bigint",
        )
        for shape, step in _STEPS.items()
    )


def earlier_functions() -> str:
    """SQL that puts those of ``sql_v1`` back."""
    return record_functions().replace("CREATE FUNCTION", "CREATE OR REPLACE FUNCTION")
