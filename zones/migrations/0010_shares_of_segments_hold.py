"""The shares of segments keep their checks: those of the migration before are made valid."""

from django.db import migrations

VALIDATE = "ALTER TABLE point_facts VALIDATE CONSTRAINT point_facts_length_share{}"


class Migration(migrations.Migration):
    dependencies = [("zones", "0009_shares_of_segments")]
    operations = [
        migrations.RunSQL(VALIDATE.format(which), migrations.RunSQL.noop)
        for which in ("_check", "_place_check", "_and_place")
    ]
