"""An index on a large table."""

from django.db import migrations


class Migration(migrations.Migration):
    atomic = False
    dependencies = [("upgrading", "0001_columns")]
    operations = [
        migrations.RunSQL(
            "CREATE INDEX CONCURRENTLY point_facts_placed ON point_facts (site_id, place)",
            "DROP INDEX CONCURRENTLY IF EXISTS point_facts_placed",
        ),
    ]
