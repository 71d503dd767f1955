"""The functions by which rows take their change set and step from the transaction's."""

from django.db import migrations

from sites.changes.sql_v1.acceptance import CONTEXT_FUNCTIONS, DROP_CONTEXT_FUNCTIONS


class Migration(migrations.Migration):
    dependencies = [("sites", "0001_extensions")]
    operations = [
        migrations.RunSQL(CONTEXT_FUNCTIONS, DROP_CONTEXT_FUNCTIONS),
    ]
