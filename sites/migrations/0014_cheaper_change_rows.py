"""Change rows of INSERT and COPY at half the cost; what they say stays the same."""

from django.db import migrations

from sites.changes.sql_v2.inserted import earlier_functions, inserted_functions


class Migration(migrations.Migration):
    dependencies = [("sites", "0013_search")]
    operations = [migrations.RunSQL(inserted_functions(), earlier_functions())]
