"""A run may have a design temperature of its own."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

COLUMN = "ALTER TABLE run_facts ADD COLUMN design_temperature_c double precision"
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE run_facts ADD CONSTRAINT run_facts_design_temperature_c_check
    CHECK (design_temperature_c >= -60 AND design_temperature_c <= 90) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0006_estimates_of_findings")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(COLUMN, "ALTER TABLE run_facts DROP COLUMN design_temperature_c"),
                install(CHECK),
            ],
            [
                migrations.AddField(
                    "RunFacts",
                    "design_temperature_c",
                    fields.QuantityField(blank=True, null=True, unit="°C", minimum=-60, maximum=90),
                )
            ],
        )
    ]
