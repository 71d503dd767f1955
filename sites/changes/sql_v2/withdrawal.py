"""A withdrawal: what a change set wrote is undone by the change record, in one transaction.

A row in ``withdrawal`` withdraws a change set, through any channel:

    INSERT INTO withdrawal (change_set_id, actor, reason) VALUES (41, 'R. Vale', 'typed twice')

Its trigger goes through the change rows of the change set, the last first: what was inserted is deleted, what
was updated or deleted is as it was, its version (``change_set_id``) included. Each undoing is a change row of
the same change set, and the site is marked. It is refused unless it is whole: the change set was recorded
today at its site, wrote every row last, and nothing refers to what it made (the keys hold that).

No client can undo anything by other means: the triggers of the record stand aside only under this one
(``pg_trigger_depth``), while it works (``zonebook.withdrawing``).
"""

# ruff: noqa: S608 - what is put into the SQL are the names in this module
from __future__ import annotations

import re

from sites.changes.sql_v1 import DEFINER, acceptance, record

WITHDRAWING = """
CREATE FUNCTION zonebook_withdrawing() RETURNS boolean LANGUAGE sql STABLE AS $$
    -- Depth 1 is the trigger of a client's statement, deeper ones those of what that trigger does. A client
    -- who sets the word by hand gets no deeper but by keys that carry ranks along, which note nothing anyway.
    SELECT pg_trigger_depth() > 1 AND coalesce(current_setting('zonebook.withdrawing', true), '') <> ''
$$;
"""

WITHDRAWALS = f"""{WITHDRAWING}
CREATE FUNCTION zonebook_withdraw() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    undone change_set;
    its_time_zone text;
    written record;
    itself text;
    its_thing text;
    restored text;
    found_rows bigint;
    done text;
    recorded_later boolean;
BEGIN
    SELECT * INTO undone FROM change_set WHERE id = NEW.change_set_id FOR UPDATE;
    IF undone.state <> 'accepted' OR undone.site_id IS NULL THEN
        RAISE EXCEPTION 'change set % is not an accepted one of a site', NEW.change_set_id USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'withdrawal_of_an_accepted_change_set';
    END IF;
    SELECT time_zone INTO its_time_zone FROM site WHERE id = undone.site_id FOR NO KEY UPDATE;
    IF (undone.recorded_at AT TIME ZONE its_time_zone)::date
       <> (clock_timestamp() AT TIME ZONE its_time_zone)::date THEN
        RAISE EXCEPTION 'change set % was recorded on an earlier day', undone.id USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'withdrawal_on_the_day_of_recording';
    END IF;
    IF NOT EXISTS (SELECT FROM change c WHERE c.change_set_id = undone.id) OR EXISTS (
        SELECT FROM change c
        WHERE c.change_set_id = undone.id AND c.table_name = 'site' AND c.operation = 'insert'
    ) THEN
        RAISE EXCEPTION 'change set % cannot be withdrawn: it adds a site, or wrote no row', undone.id USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'withdrawal_is_whole';
    END IF;
    PERFORM set_config('zonebook.withdrawing', undone.id::text, true);
    FOR written IN SELECT * FROM change c WHERE c.change_set_id = undone.id ORDER BY c.id DESC LOOP
        SELECT string_agg(format('t.%1$I = n.%1$I', a.attname), ' AND ')
                   FILTER (WHERE a.attnum = ANY (i.indkey)),
               string_agg(format('t.%1$I = n.%1$I', a.attname), ' AND ')
                   FILTER (WHERE a.attnum = ANY (i.indkey) AND a.attname <> 'step'),
               string_agg(format('%1$I = n.%1$I', a.attname), ', ')
                   FILTER (WHERE a.attnum <> ALL (i.indkey))
        INTO itself, its_thing, restored
        FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid
        WHERE i.indrelid = format('public.%I', written.table_name)::regclass AND i.indisprimary
          AND a.attnum > 0 AND NOT a.attisdropped;
        IF written.operation = 'delete' THEN
            EXECUTE format(
                'INSERT INTO public.%1$I SELECT * FROM jsonb_populate_recordset(NULL::public.%1$I, $1)',
                written.table_name)
            USING written.old_rows;
            GET DIAGNOSTICS found_rows = ROW_COUNT;
            PERFORM zonebook_note(
                undone.id, undone.site_id, written.table_name, 'insert', found_rows, NULL, written.old_rows);
            CONTINUE;
        END IF;
        -- Facts of the same thing that were recorded later build on these, at any step
        EXECUTE format(
            'SELECT EXISTS (SELECT FROM public.%1$I t '
            'JOIN jsonb_populate_recordset(NULL::public.%1$I, $1) n ON %2$s '
            'JOIN change_set m ON m.id = t.change_set_id '
            'WHERE m.recorded_at > $2)', written.table_name, its_thing)
        INTO recorded_later USING written.new_rows, undone.recorded_at;
        IF written.operation = 'insert' THEN
            done := 'delete';
            EXECUTE format(
                'DELETE FROM public.%1$I t USING jsonb_populate_recordset(NULL::public.%1$I, $1) n '
                'WHERE %2$s AND t.change_set_id = $2', written.table_name, itself)
            USING written.new_rows, undone.id;
        ELSE
            done := 'update';
            EXECUTE format(
                'UPDATE public.%1$I t SET %3$s FROM jsonb_populate_recordset(NULL::public.%1$I, $1) n '
                'WHERE %2$s AND t.change_set_id = $2', written.table_name, itself, restored)
            USING written.old_rows, undone.id;
        END IF;
        GET DIAGNOSTICS found_rows = ROW_COUNT;
        IF recorded_later OR found_rows <> written.row_count THEN
            RAISE EXCEPTION 'rows of % were recorded later than change set %', written.table_name, undone.id
            USING
                ERRCODE = 'integrity_constraint_violation',
                CONSTRAINT = 'withdrawal_of_what_was_recorded_last',
                HINT = 'withdraw what came later first, or record a correction';
        END IF;
        PERFORM zonebook_note(
            undone.id, undone.site_id, written.table_name, done, found_rows, written.new_rows,
            written.old_rows);
    END LOOP;
    UPDATE change_set SET state = 'withdrawn' WHERE id = undone.id;
    PERFORM set_config('zonebook.withdrawing', '', true);
    -- One more, even where the change set has a mark: a recheck may have read that one, and deletes it
    INSERT INTO mark (site_id, change_set_id, lane, reason, made_at)
    VALUES (
        undone.site_id, undone.id,
        CASE WHEN current_setting('zonebook.lane', true) = 'bulk' THEN 1 ELSE 0 END,
        'record changed', clock_timestamp());
    RETURN NULL;
END $$;

CREATE TRIGGER withdrawal_made AFTER INSERT ON withdrawal
    FOR EACH ROW EXECUTE FUNCTION zonebook_withdraw();
CREATE TRIGGER withdrawal_rewritten BEFORE UPDATE OR DELETE ON withdrawal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_rewriting();
CREATE TRIGGER withdrawal_truncated BEFORE TRUNCATE ON withdrawal
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_refuse_truncation();
"""

_BEFORE_ACCEPTED = "    IF TG_OP <> 'INSERT' AND OLD.state = 'accepted' THEN"
# In an INSERT, OLD is NULL and equals nothing
_STATES = f"""    IF OLD.state = 'accepted' AND zonebook_withdrawing() THEN
        NEW := OLD;
        NEW.state := 'withdrawn';
        NEW.version := OLD.version + 1;
        RETURN NEW;
    END IF;
    IF OLD.state = 'withdrawn' AND OLD.recorded_at IS NOT NULL THEN
        RAISE EXCEPTION 'change set % was recorded and withdrawn, and so never changes', OLD.id USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_withdrawn_stays_so',
            HINT = 'make another change set';
    END IF;
{_BEFORE_ACCEPTED}"""
_ASIDE = """BEGIN
    IF zonebook_withdrawing() THEN
        RETURN NULL;
    END IF;
"""


def function(of: str, name: str) -> str:
    """The text of one function among others."""
    found = re.search(rf"CREATE FUNCTION {name}\(.*?\nEND \$\$;\n", of, re.DOTALL)
    assert found is not None, name
    return found[0]


def _stands_aside(of: str, name: str) -> tuple[str, str]:
    """A trigger function that does nothing during a withdrawal, and as it was."""
    was = again(function(of, name))
    return was.replace("BEGIN\n", _ASIDE, 1), was


def again(sql: str) -> str:
    return sql.replace("CREATE FUNCTION", "CREATE OR REPLACE FUNCTION", 1)


def standing_aside() -> list[tuple[str, str]]:
    """SQL by which the triggers of the record stand aside during a withdrawal, each with the SQL that takes
    it back."""
    functions = record.record_functions()
    found = [
        _stands_aside(functions, f"zonebook_{shape}")
        for shape in (
            "placed_updated", "facts_updated", "plain_updated", "site_updated", "plain_inserted",
            "plain_removed",
        )
    ]  # fmt: skip
    found.append(_stands_aside(acceptance.APPEND_ONLY, "zonebook_refuse_deletion"))
    states = again(function(acceptance.ACCEPTANCE, "zonebook_change_set_written"))
    found.append((states.replace(_BEFORE_ACCEPTED, _STATES, 1), states))
    return found
