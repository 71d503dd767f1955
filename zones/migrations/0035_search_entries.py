"""Where search looks: an entry of each thing, and the words of each customer."""

from django.db import migrations

from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import search


class Migration(migrations.Migration):
    dependencies = [("sites", "0030_orders_of_lists"), ("zones", "0034_findings_by_opening")]
    operations = [
        install(search.WORDS),
        migrations.RunSQL(search.TABLES, search.TABLES_GO),
        migrations.RunSQL(search.SOURCE, "DROP VIEW search_source"),
        install(search.KEEPING),
    ]
