"""The signals of readings keep their words and their state: the checks of the migration before are made
valid."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "0021_reading_signal")]
    operations = [
        migrations.RunSQL(f"ALTER TABLE reading VALIDATE CONSTRAINT {name}", migrations.RunSQL.noop)
        for name in ("reading_signal_check", "reading_tone_while_paging")
    ]
