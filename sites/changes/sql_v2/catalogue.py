"""An edit of the catalogue is a correction of each site that uses what was edited, through any channel
it comes: a change set of kind *catalogue* there, which names the one that edited it.

The sites are those that the edit has just marked. Triggers of one table fire in the order of their names, so
this one comes after those that mark sites and that note what was written.
"""

# ruff: noqa: S608 - what is put into the SQL are the names in migrations
from __future__ import annotations

from django.db.migrations import RunSQL

from sites.changes.sql_v1 import DEFINER, install

FOLLOWED = f"""
CREATE FUNCTION zonebook_catalogue_followed() RETURNS trigger LANGUAGE plpgsql {DEFINER} AS $$
DECLARE
    edit change_set;
    edited text;
BEGIN
    SELECT * INTO edit FROM change_set WHERE id = zonebook_change_set();
    SELECT string_agg(DISTINCT TG_ARGV[0] || ' ' || (one ->> 'name'), ', ') INTO edited
    FROM change c, jsonb_array_elements(coalesce(c.new_rows, c.old_rows)) one
    WHERE c.change_set_id = edit.id AND c.table_name = TG_TABLE_NAME;
    -- Locks each site's row, in the order of their ids, as everyone does who writes several sites
    INSERT INTO change_set (
        site_id, state, kind, purpose, channel, user_id, accepted_by_id, actor, done_by, reason,
        job_reference, quiet, operations, created_at, version)
    SELECT m.site_id, 'accepted', 'catalogue', 'record', edit.channel, edit.user_id, edit.accepted_by_id,
        edit.actor, edit.done_by, left(edited || ': ' || edit.reason, 2000), edit.job_reference, false,
        jsonb_build_array(jsonb_build_object(
            'op', 'catalogue.follow', 'change_set', edit.id, 'what', edited)), now(), 1
    FROM (SELECT DISTINCT mark.site_id FROM mark WHERE mark.change_set_id = edit.id) m
    -- One a site, for all statements of the edit together
    WHERE NOT EXISTS (
        SELECT FROM change_set f
        WHERE f.site_id = m.site_id AND f.id > edit.id AND f.kind = 'catalogue'
          AND (f.operations -> 0 ->> 'change_set')::bigint = edit.id)
    ORDER BY m.site_id;
    RETURN NULL;
END $$;
"""


def follow(table: str, events: str, called: str) -> RunSQL:
    """The step of a migration from which sites follow a table of the catalogue. events: at which of its
    statements; called: what a row of it is, in words."""
    return install(f"""
CREATE TRIGGER {table}_users_told AFTER {events} ON "{table}"
    FOR EACH STATEMENT EXECUTE FUNCTION zonebook_catalogue_followed('{called}');
""")
