"""The design temperatures of runs keep their bounds: the check of the migration before is made valid."""

from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("zones", "0007_run_temperature")]
    operations = [
        migrations.RunSQL(
            "ALTER TABLE run_facts VALIDATE CONSTRAINT run_facts_design_temperature_c_check",
            migrations.RunSQL.noop,
        )
    ]
