"""Where search looks: an entry of each thing, and the words of each customer. They follow each write of the
record: one trigger, on the change record."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import search


class Migration(migrations.Migration):
    dependencies = [("zones", "0015_zones_of_standing_sets")]
    operations = [
        install(search.WORDS),
        migrations.RunSQL(search.TABLES, search.TABLES_GO),
        migrations.RunSQL(search.SOURCE, "DROP VIEW search_source"),
        install(search.KEEPING),
        install(search.FOLLOWING),
    ]
