"""The kinds of all change sets are held to be those that there are."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("sites", "0012_catalogue_corrections")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE change_set VALIDATE CONSTRAINT change_set_kind_check", migrations.RunSQL.noop
        )
    ]
