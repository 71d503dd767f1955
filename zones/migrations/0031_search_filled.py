"""What is there already gets its entries: a site a transaction, so that whoever writes there waits for one
site at most. Sites that are added meanwhile have theirs."""

from django.db import migrations

KEEP = "SELECT zonebook_search_keep(%s::smallint, %s, %s)"


def fill(apps, schema_editor):
    with schema_editor.connection.cursor() as cursor:
        for kind, table in ((1, "customer"), (3, "device_model")):
            cursor.execute(f"SELECT array_agg(id) FROM {table}")  # noqa: S608 - the names above
            cursor.execute(KEEP, [kind, cursor.fetchone()[0] or [], None])
        cursor.execute("SELECT id FROM site ORDER BY id")
        for (site,) in cursor.fetchall():
            cursor.execute(KEEP, [None, None, site])


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("zones", "0030_search_follows")]
    operations = [migrations.RunPython(fill, migrations.RunPython.noop)]
