"""Statement triggers on the tables of one site's record."""

# ruff: noqa: S608 - what is put into the SQL are the names in migrations
from __future__ import annotations

from sites.changes.sql_v1 import DEFINER

_WRITER = """
CREATE FUNCTION zonebook_writer(named bigint, of_site bigint) RETURNS change_set LANGUAGE plpgsql AS $$
DECLARE
    context text := current_setting('zonebook.change_set', true);
    writer change_set;
BEGIN
    IF context IS DISTINCT FROM 'each row' THEN
        IF named IS DISTINCT FROM zonebook_change_set() THEN
            RAISE EXCEPTION 'a row names change set %, its transaction change set %', named, context USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_names_its_change_set',
                HINT = 'set change_set_id = zonebook_change_set() in the statement';
        END IF;
    END IF;
    SELECT * INTO writer FROM change_set WHERE id = named;
    -- The time too: in a cluster restored from a dump transaction ids start over.
    IF writer.id IS NULL OR writer.state <> 'accepted' OR writer.transaction_id <> txid_current()
       OR writer.recorded_at < now() THEN
        RAISE EXCEPTION 'change set % was not accepted in this transaction', named USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_change_set_accepted_just_now',
            HINT = 'accept a change set of your own; an earlier one is never added to';
    END IF;
    IF writer.site_id IS DISTINCT FROM of_site THEN
        RAISE EXCEPTION 'change set % is of %, the row of %', named,
            coalesce('site ' || writer.site_id, 'no site'), coalesce('site ' || of_site, 'no site') USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_change_set_of_its_site',
            HINT = 'one change set a site; the catalogue, customers and contracts take one of no site';
    END IF;
    RETURN writer;
END $$;

CREATE FUNCTION zonebook_note(
    writer bigint, of_site bigint, of_table text, done text, rows_written bigint, old_json jsonb, new_json
    jsonb
) RETURNS void LANGUAGE sql AS $$
    INSERT INTO change (change_set_id, site_id, table_name, operation, row_count, old_rows, new_rows, at)
    VALUES (writer, of_site, of_table, done, rows_written, old_json, new_json, clock_timestamp());
$$;

CREATE FUNCTION zonebook_mark(of_site bigint, writer bigint, in_bulk boolean) RETURNS void LANGUAGE sql AS $$
    -- One a change set is enough, and only this transaction can have written one for it.
    INSERT INTO mark (site_id, change_set_id, lane, reason, made_at)
    SELECT of_site, writer, chosen.lane, 'record changed', clock_timestamp()
    FROM (
        SELECT CASE WHEN in_bulk OR current_setting('zonebook.lane', true) = 'bulk' THEN 1 ELSE 0 END AS lane
    ) AS chosen
    WHERE NOT EXISTS (
        SELECT FROM mark
        WHERE mark.site_id = of_site AND mark.lane = chosen.lane AND mark.change_set_id = writer
    );
$$;
"""

# A foreign key carries a point's new rank into its facts. The change row of the point records the new rank,
# and the same keys refuse any other: so an UPDATE of ranks alone passes.
_FACTS_NEWS = """SELECT to_jsonb(n) - ARRAY['rank', 'parent_rank'] FROM new_rows n
        EXCEPT SELECT to_jsonb(o) - ARRAY['rank', 'parent_rank'] FROM old_rows o"""

_STAYS_ITSELF = """
    IF EXISTS (
        SELECT FROM new_rows n LEFT JOIN old_rows o USING (id)
        WHERE o.site_id IS DISTINCT FROM n.site_id
    ) THEN
        RAISE EXCEPTION 'a row of % changed its id or its site', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_stays_itself';
    END IF;"""

# What an UPDATE may do, by the shape of the table. `o` and `n` are the rows before and after.
_SHAPES: dict[str, dict[str, str]] = {
    # a thing that stands from begin_step until end_step
    "placed": {
        "step": "begin_step",
        "update": f"""{_STAYS_ITSELF}
    IF writer.kind <> 'correction' AND EXISTS (
        SELECT FROM new_rows n JOIN old_rows o USING (id)
        WHERE n.begin_step <> o.begin_step
           OR (n.end_step IS DISTINCT FROM o.end_step AND (o.end_step IS NOT NULL OR n.end_step <>
           writer.step))
    ) THEN
        RAISE EXCEPTION 'a row of % was moved in time', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_holds_from_its_own_step',
            HINT = 'a thing ends at the step of its change set; only a correction may move it';
    END IF;""",
    },
    # dated facts of a thing
    "facts": {
        "step": "step",
        "update": """
    IF writer.kind <> 'correction' AND EXISTS (
        SELECT FROM old_rows o WHERE o.change_set_id <> writer.id
    ) THEN
        RAISE EXCEPTION 'facts of % are superseded, not rewritten', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_facts_are_superseded',
            HINT = 'insert a row with the step of the change set; better knowledge is a change set '
                   'of kind correction';
    END IF;
    IF writer.kind <> 'correction' AND EXISTS (
        SELECT FROM new_rows n WHERE n.step <> writer.step
    ) THEN
        RAISE EXCEPTION 'a row of % was moved in time', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_holds_from_its_own_step',
            HINT = 'facts hold from the step of their change set; only a correction may move them';
    END IF;""",
    },
    # neither
    "plain": {
        "step": "",
        "update": _STAYS_ITSELF,
    },
    # the site's own row
    "site": {
        "step": "",
        "update": """
    IF EXISTS (
        SELECT FROM new_rows n LEFT JOIN old_rows o USING (id)
        WHERE o.id IS NULL
    ) THEN
        RAISE EXCEPTION 'a site changed its id' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_stays_itself';
    END IF;""",
    },
}

_RECORD_FUNCTIONS = """
CREATE FUNCTION zonebook_{shape}_inserted() RETURNS trigger LANGUAGE plpgsql {definer} AS $$
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

CREATE FUNCTION zonebook_{shape}_updated() RETURNS trigger LANGUAGE plpgsql {definer} AS $$
DECLARE
    written record;
    writer change_set;
BEGIN
    IF NOT EXISTS ({news}) THEN
        RETURN NULL;
    END IF;
    -- Refuses 'each row': an UPDATE is of one change set
    PERFORM zonebook_change_set();
    FOR written IN SELECT DISTINCT n.{site} AS of_site, n.change_set_id AS named FROM new_rows n LOOP
        writer := zonebook_writer(written.named, written.of_site);
    END LOOP;
{update}
    PERFORM zonebook_note(
        writer.id, writer.site_id, TG_TABLE_NAME, 'update', (SELECT count(*) FROM new_rows),
        (SELECT jsonb_strip_nulls(to_jsonb(array_agg(o))) FROM old_rows o),
        (SELECT jsonb_strip_nulls(to_jsonb(array_agg(n))) FROM new_rows n));
    IF {feeds_load} THEN
        PERFORM zonebook_mark(writer.site_id, writer.id, false);
    END IF;
    RETURN NULL;
END $$;
"""

# People leave: a contact's row goes, and the change record keeps what it said.
_REMOVED_FUNCTION = f"""
CREATE FUNCTION zonebook_plain_removed() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    written record;
    writer change_set;
BEGIN
    FOR written IN
        SELECT o.site_id AS of_site, count(*) AS rows_written,
               jsonb_strip_nulls(to_jsonb(array_agg(o))) AS old_json
        FROM old_rows o GROUP BY o.site_id
    LOOP
        writer := zonebook_writer(zonebook_change_set(), written.of_site);
        PERFORM zonebook_note(
            writer.id, written.of_site, TG_TABLE_NAME, 'delete', written.rows_written, written.old_json,
            NULL);
    END LOOP;
    RETURN NULL;
END $$;
"""


def record_functions() -> str:
    """SQL that makes the functions on which the triggers of ``watch`` rest."""
    parts = [_WRITER]
    for shape, differs in _SHAPES.items():
        step = differs["step"]
        parts.append(
            _RECORD_FUNCTIONS.format(
                shape=shape,
                definer=DEFINER,
                site="id" if shape == "site" else "site_id",
                first_step=f"min(n.{step})" if step else "NULL::bigint",
                last_step=f"max(n.{step})" if step else "NULL::bigint",
                update=differs["update"].strip("\n"),
                news=_FACTS_NEWS if shape == "facts" else "SELECT FROM new_rows",
                feeds_load=_SITE_FEEDS_LOAD if shape == "site" else "TG_ARGV[0] = 'load'",
            )
        )
    return "".join([*parts, _REMOVED_FUNCTION])


# What of a site's own row a load depends on: the rest is for people.
_SITE_FEEDS_LOAD = """EXISTS (
        SELECT FROM new_rows n JOIN old_rows o USING (id)
        WHERE (n.time_zone, n.design_temperature_c, n.surveyed_on, n.customer_id)
              IS DISTINCT FROM (o.time_zone, o.design_temperature_c, o.surveyed_on, o.customer_id)
    )"""


def watch(
    table: str, shape: str, *, feeds_load: bool, removable: bool = False, rewritable: bool = True
) -> str:
    """SQL that makes the triggers of one table of the record.

    ``shape`` is ``placed``, ``facts``, ``plain`` or ``site``. ``feeds_load``: its rows change what a site
    carries, so writing them marks the site. ``removable``: rows may go (people). ``rewritable=False``: rows
    are only added.
    """
    argument = "'load'" if feeds_load else ""
    parts = [
        f"""
CREATE TRIGGER {table}_inserted AFTER INSERT ON "{table}" REFERENCING NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{shape}_inserted({argument});
CREATE TRIGGER {table}_truncated BEFORE TRUNCATE ON "{table}"
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
"""
    ]
    if rewritable:
        parts.append(f"""
CREATE TRIGGER {table}_updated AFTER UPDATE ON "{table}"
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{shape}_updated({argument});
""")
    else:
        parts.append(f"""
CREATE TRIGGER {table}_updated BEFORE UPDATE ON "{table}"
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_rewriting();
""")
    if removable:
        parts.append(f"""
CREATE TRIGGER {table}_removed AFTER DELETE ON "{table}" REFERENCING OLD TABLE AS old_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{shape}_removed();
""")
    else:
        parts.append(f"""
CREATE TRIGGER {table}_removed BEFORE DELETE ON "{table}"
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_deletion();
""")
    return "".join(parts)
