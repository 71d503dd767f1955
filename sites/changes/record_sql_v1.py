"""The SQL by which the database itself holds the record, as the first migrations install it.

Frozen: migrations that have run somewhere import it. What changes is a new module beside it, used by a new
migration.

How a write is held to its change set
-------------------------------------
A transaction inserts (or turns) its change set to ``accepted``, which gives it a step, and names it:
``SET LOCAL zonebook.change_set = '41'``. Statement triggers with transition tables on every table of the record
then (1) refuse rows that name another change set, or one that was not accepted in this very transaction, or one
of another site; (2) refuse what no change set may do (rewrite facts instead of superseding them, delete plant);
(3) write one ``change`` row a statement, table and site; (4) mark the site for a recheck where the rows feed a
load. There are no row triggers on plant: a bulk write pays for one pass over its rows.

A bulk writer of many sites names ``SET LOCAL zonebook.change_set = 'each row'``: then every row must itself
carry a change set accepted in this transaction for its site, and only INSERT and COPY are possible.

The JSON leaves out NULLs: a key that is absent was NULL.

Refusals carry SQLSTATE 23000 and a constraint name, as those of constraints do, so that one table
(``sites.changes.constraints``) puts all of them into words.
"""

# ruff: noqa: S608 - what is put into the SQL are the names in migrations
from __future__ import annotations

from collections.abc import Sequence

# SECURITY DEFINER, because the service's role may not write the change record by itself.
_DEFINER = "SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp"

CONTEXT_FUNCTIONS = """
CREATE FUNCTION zonebook_change_set() RETURNS bigint LANGUAGE plpgsql STABLE AS $$
DECLARE
    named text := current_setting('zonebook.change_set', true);
BEGIN
    IF coalesce(named, '') = '' THEN
        RAISE EXCEPTION 'this write does not say which change set it belongs to' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_write_names_its_change_set',
            HINT = 'insert an accepted row into change_set first, then say which change set: '
                   'SET LOCAL zonebook.change_set = ''ITS ID'', in the same transaction';
    ELSIF named = 'each row' THEN
        RAISE EXCEPTION 'this write leaves its rows'' change set out' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_write_names_its_change_set',
            HINT = 'zonebook.change_set is ''each row'': INSERT or COPY rows that give change_set_id and their step';
    ELSIF named !~ '^[0-9]{1,18}$' THEN
        RAISE EXCEPTION 'zonebook.change_set is %, which is no change set', quote_literal(named) USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_write_names_its_change_set',
            HINT = 'SET LOCAL zonebook.change_set = ''ID of an accepted change set''';
    END IF;
    RETURN named::bigint;
END $$;

CREATE FUNCTION zonebook_step() RETURNS bigint LANGUAGE plpgsql STABLE AS $$
DECLARE
    its_step bigint;
BEGIN
    SELECT step INTO its_step FROM change_set WHERE id = zonebook_change_set();
    RETURN its_step;
END $$;
"""
DROP_CONTEXT_FUNCTIONS = """
DROP FUNCTION zonebook_step();
DROP FUNCTION zonebook_change_set();
"""

# 65536 is sites.changes.steps.STEPS_A_DAY.
ACCEPTANCE = f"""
CREATE FUNCTION zonebook_change_set_accept(INOUT accepted change_set) LANGUAGE plpgsql AS $$
DECLARE
    first_step bigint;
BEGIN
    IF accepted.happened_on IS NULL THEN
        RAISE EXCEPTION 'a change set is accepted with the day on which it happened' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_accepted_has_day',
            HINT = 'set happened_on, a day in the time zone of the site';
    END IF;
    accepted.step := NULL;
    IF accepted.site_id IS NOT NULL THEN
        -- Acceptance is serial per site: the next one waits here until this transaction ends. A row lock, and not
        -- an advisory one, since those of a fleet would fill the lock table. The site's row may not be there yet:
        -- then no one else can see the site either.
        PERFORM FROM site WHERE id = accepted.site_id FOR NO KEY UPDATE;
        first_step := (accepted.happened_on - DATE '1970-01-01')::bigint * 65536;
        SELECT greatest(coalesce(max(step), 0), first_step) + 1 INTO accepted.step
        FROM change_set
        WHERE site_id = accepted.site_id AND step > first_step AND step < first_step + 65536;
        IF accepted.step >= first_step + 65536 THEN
            RAISE EXCEPTION 'site % has had 65535 change sets on %', accepted.site_id, accepted.happened_on USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_step_once_a_site';
        END IF;
    END IF;
    accepted.recorded_at := clock_timestamp();
    accepted.transaction_id := txid_current();
END $$;

CREATE FUNCTION zonebook_change_set_written() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
BEGIN
    IF TG_OP <> 'INSERT' AND OLD.state = 'accepted' THEN
        RAISE EXCEPTION 'change set % is accepted and so never changes', OLD.id USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_accepted_never_changes',
            HINT = 'make another change set, or a correction';
    END IF;
    IF TG_OP = 'DELETE' THEN
        RETURN OLD;
    END IF;
    IF TG_OP = 'UPDATE' THEN
        IF NEW.id <> OLD.id OR NEW.site_id IS DISTINCT FROM OLD.site_id THEN
            RAISE EXCEPTION 'change set % stays with its site', OLD.id USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_keeps_its_site';
        END IF;
        IF OLD.state = 'withdrawn' AND NEW.state = 'accepted' THEN
            RAISE EXCEPTION 'change set % is withdrawn', OLD.id USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_withdrawn_is_not_accepted',
                HINT = 'make it a draft again first';
        END IF;
        NEW.version := OLD.version + 1;
    END IF;
    IF NEW.state = 'accepted' THEN
        NEW := zonebook_change_set_accept(NEW);
    ELSE
        NEW.step := NULL;
        NEW.recorded_at := NULL;
        NEW.transaction_id := NULL;
    END IF;
    RETURN NEW;
END $$;

CREATE TRIGGER change_set_written BEFORE INSERT OR UPDATE OR DELETE ON change_set
    FOR EACH ROW EXECUTE FUNCTION zonebook_change_set_written();
"""
DROP_ACCEPTANCE = """
DROP TRIGGER change_set_written ON change_set;
DROP FUNCTION zonebook_change_set_written();
DROP FUNCTION zonebook_change_set_accept(change_set);
"""

APPEND_ONLY = """
CREATE FUNCTION zonebook_refuse_rewriting() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is only ever added to', TG_TABLE_NAME USING
        ERRCODE = 'integrity_constraint_violation', CONSTRAINT = TG_TABLE_NAME || '_is_only_added_to';
END $$;

CREATE FUNCTION zonebook_refuse_deletion() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'rows of % are never deleted', TG_TABLE_NAME USING
        ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_is_never_deleted',
        HINT = 'plant ends at a step: set end_step, or supersede the facts';
END $$;

CREATE FUNCTION zonebook_refuse_truncation() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    -- TRUNCATE is granted to nobody but the owner; a test database says that it may be emptied between tests.
    IF coalesce(current_setting('zonebook.allow_truncate', true), '') <> 'on' THEN
        RAISE EXCEPTION 'rows of % are never deleted', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_is_never_deleted',
            HINT = 'a database for tests may say: ALTER DATABASE name SET zonebook.allow_truncate = ''on''';
    END IF;
    RETURN NULL;
END $$;

CREATE FUNCTION zonebook_refuse_forged_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    -- Depth 1 is this trigger under a statement of a client; depth 2, this trigger under another one.
    IF pg_trigger_depth() < 2 THEN
        RAISE EXCEPTION 'change rows are written by triggers and by nothing else' USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_is_written_by_triggers';
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER change_forged BEFORE INSERT ON change
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_forged_change();
CREATE TRIGGER change_rewritten BEFORE UPDATE OR DELETE ON change
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_rewriting();
CREATE TRIGGER change_truncated BEFORE TRUNCATE ON change
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
CREATE TRIGGER change_set_truncated BEFORE TRUNCATE ON change_set
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
CREATE TRIGGER secret_reveal_rewritten BEFORE UPDATE OR DELETE ON secret_reveal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_rewriting();
CREATE TRIGGER secret_reveal_truncated BEFORE TRUNCATE ON secret_reveal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
"""
DROP_APPEND_ONLY = """
DROP TRIGGER secret_reveal_truncated ON secret_reveal;
DROP TRIGGER secret_reveal_rewritten ON secret_reveal;
DROP TRIGGER change_set_truncated ON change_set;
DROP TRIGGER change_truncated ON change;
DROP TRIGGER change_rewritten ON change;
DROP TRIGGER change_forged ON change;
DROP FUNCTION zonebook_refuse_forged_change();
DROP FUNCTION zonebook_refuse_truncation();
DROP FUNCTION zonebook_refuse_deletion();
DROP FUNCTION zonebook_refuse_rewriting();
"""

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
    -- The time too: in a cluster restored from a dump transaction ids begin anew.
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
    writer bigint, of_site bigint, of_table text, done text, rows_written bigint, old_json jsonb, new_json jsonb
) RETURNS void LANGUAGE sql AS $$
    INSERT INTO change (change_set_id, site_id, table_name, operation, row_count, old_rows, new_rows, at)
    VALUES (writer, of_site, of_table, done, rows_written, old_json, new_json, clock_timestamp());
$$;

CREATE FUNCTION zonebook_mark(of_site bigint, writer bigint, in_bulk boolean) RETURNS void LANGUAGE sql AS $$
    -- One a change set is enough, and only this transaction can have written one for it.
    INSERT INTO mark (site_id, change_set_id, lane, reason, made_at)
    SELECT of_site, writer, chosen.lane, 'record changed', clock_timestamp()
    FROM (SELECT CASE WHEN in_bulk OR current_setting('zonebook.lane', true) = 'bulk' THEN 1 ELSE 0 END AS lane)
        AS chosen
    WHERE NOT EXISTS (
        SELECT FROM mark WHERE mark.site_id = of_site AND mark.lane = chosen.lane AND mark.change_set_id = writer
    );
$$;
"""

# A foreign key carries a point's new rank into its facts. An order is no fact, the change row of the point tells of
# it, and the same keys refuse any rank but the point's own: so an UPDATE of nothing else is let by.
_FACTS_NEWS = """SELECT to_jsonb(n) - ARRAY['rank', 'parent_rank'] FROM new_rows n
        EXCEPT SELECT to_jsonb(o) - ARRAY['rank', 'parent_rank'] FROM old_rows o"""

# What an UPDATE may do, by the shape of the table. `o` and `n` are the rows before and after.
_SHAPES = {
    # a thing that stands from begin_step until end_step
    "placed": {
        "step": "begin_step",
        "update": """
    IF EXISTS (SELECT FROM new_rows n LEFT JOIN old_rows o USING (id) WHERE o.site_id IS DISTINCT FROM n.site_id) THEN
        RAISE EXCEPTION 'a row of % changed its id or its site', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_stays_itself';
    END IF;
    IF writer.kind <> 'correction' AND EXISTS (
        SELECT FROM new_rows n JOIN old_rows o USING (id)
        WHERE n.begin_step <> o.begin_step
           OR (n.end_step IS DISTINCT FROM o.end_step AND (o.end_step IS NOT NULL OR n.end_step <> writer.step))
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
    IF writer.kind <> 'correction' AND EXISTS (SELECT FROM old_rows o WHERE o.change_set_id <> writer.id) THEN
        RAISE EXCEPTION 'facts of % are superseded, not rewritten', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_facts_are_superseded',
            HINT = 'insert a row with the step of the change set; better knowledge is a change set of kind correction';
    END IF;
    IF writer.kind <> 'correction' AND EXISTS (SELECT FROM new_rows n WHERE n.step <> writer.step) THEN
        RAISE EXCEPTION 'a row of % was moved in time', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_holds_from_its_own_step',
            HINT = 'facts hold from the step of their change set; only a correction may move them';
    END IF;""",
    },
    # neither
    "plain": {
        "step": None,
        "update": """
    IF EXISTS (SELECT FROM new_rows n LEFT JOIN old_rows o USING (id) WHERE o.site_id IS DISTINCT FROM n.site_id) THEN
        RAISE EXCEPTION 'a row of % changed its id or its site', TG_TABLE_NAME USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_stays_itself';
    END IF;""",
    },
    # the site's own row
    "site": {
        "step": None,
        "update": """
    IF EXISTS (SELECT FROM new_rows n LEFT JOIN old_rows o USING (id) WHERE o.id IS NULL) THEN
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
               jsonb_agg(jsonb_strip_nulls(to_jsonb(n))) AS new_json
        FROM new_rows n GROUP BY n.{site}, n.change_set_id
    LOOP
        writer := zonebook_writer(written.named, written.of_site);
        IF writer.kind <> 'correction' AND (written.first_step <> writer.step OR written.last_step <> writer.step) THEN
            RAISE EXCEPTION 'a new row of % does not hold from the step of its change set', TG_TABLE_NAME USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_holds_from_its_own_step',
                HINT = 'leave the step out, or give that of change_set';
        END IF;
        PERFORM zonebook_note(
            writer.id, written.of_site, TG_TABLE_NAME, 'insert', written.rows_written, NULL, written.new_json);
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
    FOR written IN SELECT DISTINCT n.{site} AS of_site, n.change_set_id AS named FROM new_rows n LOOP
        IF written.named <> zonebook_change_set() THEN
            RAISE EXCEPTION 'a row names change set %, its transaction change set %',
                written.named, zonebook_change_set() USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'record_row_names_its_change_set',
                HINT = 'set change_set_id = zonebook_change_set() in the statement';
        END IF;
        writer := zonebook_writer(written.named, written.of_site);
    END LOOP;
{update}
    PERFORM zonebook_note(
        writer.id, writer.site_id, TG_TABLE_NAME, 'update', (SELECT count(*) FROM new_rows),
        (SELECT jsonb_agg(jsonb_strip_nulls(to_jsonb(o))) FROM old_rows o),
        (SELECT jsonb_agg(jsonb_strip_nulls(to_jsonb(n))) FROM new_rows n));
    IF {feeds_load} THEN
        PERFORM zonebook_mark(writer.site_id, writer.id, false);
    END IF;
    RETURN NULL;
END $$;
"""

# People leave: a contact's row goes, and the change record keeps what it said.
_REMOVED_FUNCTION = f"""
CREATE FUNCTION zonebook_plain_removed() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
DECLARE
    written record;
    writer change_set;
BEGIN
    FOR written IN
        SELECT o.site_id AS of_site, count(*) AS rows_written,
               jsonb_agg(jsonb_strip_nulls(to_jsonb(o))) AS old_json
        FROM old_rows o GROUP BY o.site_id
    LOOP
        writer := zonebook_writer(zonebook_change_set(), written.of_site);
        PERFORM zonebook_note(
            writer.id, written.of_site, TG_TABLE_NAME, 'delete', written.rows_written, written.old_json, NULL);
    END LOOP;
    RETURN NULL;
END $$;
"""

# Tables that all sites share: customers, contracts, the catalogue. Their change set is of no site.
_SHARED_FUNCTIONS = f"""
CREATE FUNCTION zonebook_shared_written() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
DECLARE
    writer change_set;
    rows_written bigint;
    old_json jsonb;
    new_json jsonb;
BEGIN
    IF TG_OP <> 'INSERT' THEN
        SELECT count(*), jsonb_agg(jsonb_strip_nulls(to_jsonb(o))) INTO rows_written, old_json FROM old_rows o;
    END IF;
    IF TG_OP <> 'DELETE' THEN
        SELECT count(*), jsonb_agg(jsonb_strip_nulls(to_jsonb(n))) INTO rows_written, new_json FROM new_rows n;
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


def record_functions() -> str:
    """SQL that makes the functions on which the triggers of ``watch`` and ``watch_shared`` rest."""
    parts = [_WRITER]
    for shape, differs in _SHAPES.items():
        step = differs["step"]
        parts.append(
            _RECORD_FUNCTIONS.format(
                shape=shape,
                definer=_DEFINER,
                site="id" if shape == "site" else "site_id",
                first_step=f"min(n.{step})" if step else "NULL::bigint",
                last_step=f"max(n.{step})" if step else "NULL::bigint",
                update=differs["update"].strip("\n"),
                news=_FACTS_NEWS if shape == "facts" else "SELECT FROM new_rows",
                feeds_load=_SITE_FEEDS_LOAD if shape == "site" else "TG_ARGV[0] = 'load'",
            )
        )
    return "".join([*parts, _REMOVED_FUNCTION, _SHARED_FUNCTIONS])


# What of a site's own row a load depends on: the rest is for people.
_SITE_FEEDS_LOAD = """EXISTS (
        SELECT FROM new_rows n JOIN old_rows o USING (id)
        WHERE (n.time_zone, n.design_temperature_c, n.surveyed_on, n.customer_id)
              IS DISTINCT FROM (o.time_zone, o.design_temperature_c, o.surveyed_on, o.customer_id)
    )"""


def drop_record_functions() -> str:
    names = [f"zonebook_{shape}_{done}()" for shape in _SHAPES for done in ("inserted", "updated")]
    names += [
        "zonebook_plain_removed()",
        "zonebook_shared_written()",
        "zonebook_shared_version()",
        "zonebook_catalogue_version()",
        "zonebook_mark(bigint, bigint, boolean)",
        "zonebook_note(bigint, bigint, text, text, bigint, jsonb, jsonb)",
        "zonebook_writer(bigint, bigint)",
    ]
    return "".join(f"DROP FUNCTION {name};\n" for name in names)


def watch(
    table: str, shape: str, *, feeds_load: bool, removable: bool = False, rewritable: bool = True
) -> str:
    """SQL that makes the triggers of one table of the record.

    ``shape`` is ``placed``, ``facts``, ``plain`` or ``site``. ``feeds_load``: its rows change what a site carries,
    so writing them marks the site. ``removable``: rows may go (people). ``rewritable=False``: rows are only added.
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


def watch_shared(table: str, *, version: str | None) -> str:
    """SQL that makes the triggers of a table that all sites share.

    ``version``: ``shared`` counts the row's version, ``catalogue`` also keeps the change set that last wrote it.
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


def unwatch(table: str, *more: str) -> str:
    """SQL that drops what ``watch`` and ``watch_shared`` make; ``more``: further triggers, by their last word."""
    return "".join(
        f'DROP TRIGGER {table}_{done} ON "{table}";\n'
        for done in ("inserted", "updated", "removed", "truncated", *more)
    )


# Editing what all sites share changes the load of the sites that use it: their marks, in the bulk lane.
def mark_users(*, name: str, edited: str, using: Sequence[tuple[str, str]], texts: Sequence[str]) -> str:
    """SQL for a trigger on the table ``edited`` that marks every site with a row in ``using`` (table, column)
    that refers to an edited row, unless only ``texts`` (columns for people) were edited."""
    # ``to_jsonb(row) - texts`` compares all ratings without naming each, the ones to come included
    kept = ", ".join(f"'{text}'" for text in (*texts, "version", "change_set_id"))
    users = "\n        UNION ".join(
        f"SELECT u.site_id FROM {table} u JOIN edited e ON u.{column} = e.id" for table, column in using
    )
    return f"""
CREATE FUNCTION zonebook_{name}() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
BEGIN
    PERFORM zonebook_mark(used.site_id, zonebook_change_set(), true) FROM (
        WITH edited AS (
            SELECT n.id FROM new_rows n JOIN old_rows o USING (id)
            WHERE to_jsonb(n) - ARRAY[{kept}] IS DISTINCT FROM to_jsonb(o) - ARRAY[{kept}]
        )
        {users}
    ) AS used ORDER BY used.site_id;
    RETURN NULL;
END $$;
CREATE TRIGGER {edited}_{name} AFTER UPDATE ON "{edited}"
    REFERENCING OLD TABLE AS old_rows NEW TABLE AS new_rows
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_{name}();
"""


def drop_mark_users(*, name: str, edited: str) -> str:
    return f'DROP TRIGGER {edited}_{name} ON "{edited}";\nDROP FUNCTION zonebook_{name}();\n'


# A factor is in every computation.
FACTOR_MARKS = f"""
CREATE FUNCTION zonebook_factor_marks() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
BEGIN
    PERFORM zonebook_mark(site.id, zonebook_change_set(), true) FROM site ORDER BY site.id;
    RETURN NULL;
END $$;
CREATE TRIGGER factor_users_marked AFTER INSERT OR UPDATE OR DELETE ON factor
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_factor_marks();
"""
DROP_FACTOR_MARKS = """
DROP TRIGGER factor_users_marked ON factor;
DROP FUNCTION zonebook_factor_marks();
"""

# Whether a test is overdue, and whether anyone is told, hangs on the contract.
CONTRACT_MARKS = f"""
CREATE FUNCTION zonebook_coverage_marks() RETURNS trigger LANGUAGE plpgsql {_DEFINER} AS $$
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
DROP_CONTRACT_MARKS = """
DROP TRIGGER coverage_removed_marks ON coverage;
DROP TRIGGER coverage_updated_marks ON coverage;
DROP TRIGGER coverage_inserted_marks ON coverage;
DROP FUNCTION zonebook_coverage_marks();
"""


def take_rights_back(service: str) -> str:
    """SQL by which the service's role may read the change record and nothing else: triggers write it, as owner."""
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
