"""The colours of conductors are held to be a line throughout."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("sites", "0021_conductor_colours")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE cable_type VALIDATE CONSTRAINT cable_type_conductor_colours_check",
            migrations.RunSQL.noop,
        )
    ]
