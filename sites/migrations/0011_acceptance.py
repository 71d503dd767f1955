"""An accepted change set has a step, in order per site, and never changes; logs are only added to."""

from django.db import migrations

from sites.changes.sql_v1.acceptance import ACCEPTANCE, APPEND_ONLY, DROP_ACCEPTANCE, DROP_APPEND_ONLY


class Migration(migrations.Migration):
    dependencies = [("sites", "0010_keys_within_a_site")]
    operations = [
        migrations.RunSQL(ACCEPTANCE, DROP_ACCEPTANCE),
        migrations.RunSQL(APPEND_ONLY, DROP_APPEND_ONLY),
    ]
