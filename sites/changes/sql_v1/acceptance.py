"""The change set of a transaction, its acceptance, and the tables that are only added to."""

# ruff: noqa: S608 - what is put into the SQL are the names in migrations
from __future__ import annotations

from sites.changes.sql_v1 import DEFINER

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
            HINT = 'zonebook.change_set is ''each row'': INSERT or COPY rows that give change_set_id '
                   'and their step';
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

# 65536 is sites.changes.steps.STEPS_A_DAY.
ACCEPTANCE = f"""
CREATE FUNCTION zonebook_change_set_accept(INOUT accepted change_set) LANGUAGE plpgsql AS $$
DECLARE
    first_step bigint;
    its_time_zone text;
    today date;
BEGIN
    accepted.step := NULL;
    IF accepted.site_id IS NOT NULL THEN
        -- Acceptance is serial per site: the next one waits here until this transaction ends. A row lock
        -- and not an advisory one, since those of a fleet would fill the lock table. A new site has no row
        -- yet, and no other transaction can see it.
        SELECT time_zone INTO its_time_zone FROM site WHERE id = accepted.site_id FOR NO KEY UPDATE;
    END IF;
    today := (clock_timestamp() AT TIME ZONE coalesce(its_time_zone, 'UTC'))::date;
    accepted.happened_on := coalesce(accepted.happened_on, today);
    IF accepted.happened_on > today AND NOT accepted.planned THEN
        RAISE EXCEPTION 'happened_on % is after today, % at the site', accepted.happened_on, today USING
            ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_of_a_day_to_come_is_planned',
            HINT = 'set planned where this is agreed for that day, or keep it as a draft until then';
    END IF;
    IF accepted.site_id IS NOT NULL THEN
        first_step := (accepted.happened_on - DATE '1970-01-01')::bigint * 65536;
        SELECT greatest(coalesce(max(step), 0), first_step) + 1 INTO accepted.step
        FROM change_set
        WHERE site_id = accepted.site_id AND step > first_step AND step < first_step + 65536;
        IF accepted.step >= first_step + 65536 THEN
            RAISE EXCEPTION 'site % has had 65535 change sets on %', accepted.site_id, accepted.happened_on
            USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_step_once_a_site';
        END IF;
    END IF;
    accepted.recorded_at := clock_timestamp();
    accepted.transaction_id := txid_current();
END $$;

CREATE FUNCTION zonebook_change_set_written() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
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
        -- A draft that adds a site has none until it is accepted.
        IF NEW.id <> OLD.id OR (OLD.site_id IS NOT NULL AND NEW.site_id IS DISTINCT FROM OLD.site_id) THEN
            RAISE EXCEPTION 'change set % stays with its site', OLD.id USING
                ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'change_set_keeps_its_site';
        END IF;
        IF OLD.state = 'withdrawn' AND NEW.state = 'accepted' THEN
            RAISE EXCEPTION 'change set % is withdrawn', OLD.id USING
                ERRCODE = 'integrity_constraint_violation',
                CONSTRAINT = 'change_set_withdrawn_is_not_accepted', HINT = 'make it a draft again first';
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
    -- TRUNCATE is granted to the owner alone; a test database may be emptied between tests if it says so.
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
