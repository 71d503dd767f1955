"""The errors and temperatures of readings keep their bounds: the checks of the migration before are made
valid."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "0012_reading_error")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE reading VALIDATE CONSTRAINT reading_instrument_error_check, "
            "VALIDATE CONSTRAINT reading_temperature_c_check",
            migrations.RunSQL.noop,
        )
    ]
