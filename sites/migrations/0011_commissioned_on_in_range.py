"""The days on which sites went into service are held to the range of all recorded days."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("sites", "0010_commissioned_on")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE site VALIDATE CONSTRAINT site_commissioned_on_check", migrations.RunSQL.noop
        )
    ]
