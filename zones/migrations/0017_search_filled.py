"""What is there already gets its entries: some sites a transaction, so that a writer there waits for these
at most. Sites that are added meanwhile have theirs."""

from typing import Any

from django.db import migrations

from sites.changes.sql_v2.search import KINDS

SITES_AT_ONCE = 20
KEEP = "SELECT zonebook_search_keep(%s::smallint, %s)"
OF_SITES = {
    "site": "SELECT id FROM site WHERE id = ANY(%s)",
    **{
        kind: f'SELECT id FROM "{kind}" WHERE site_id = ANY(%s)'  # noqa: S608 - a kind is the name of its table
        for kind in KINDS
        if kind not in ("customer", "site", "model")
    },
    # Only those with a place, of which there may be few, are made
    "point": "SELECT DISTINCT point_id FROM point_facts WHERE site_id = ANY(%s) AND place <> ''",
}


def fill(_apps: Any, schema_editor: Any) -> None:
    with schema_editor.connection.cursor() as cursor:

        def ids(sql: str, *values: Any) -> list[int]:
            cursor.execute(sql, values)
            return [id_ for (id_,) in cursor.fetchall()]

        for kind, table in (("customer", "customer"), ("model", "device_model")):
            cursor.execute(KEEP, [KINDS[kind], ids(f"SELECT id FROM {table}")])  # noqa: S608 - the names above
        sites = ids("SELECT id FROM site ORDER BY id")
        for start in range(0, len(sites), SITES_AT_ONCE):
            for kind, sql in OF_SITES.items():
                cursor.execute(KEEP, [KINDS[kind], ids(sql, sites[start : start + SITES_AT_ONCE])])


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0016_search")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
