"""A site says whose wiring rules govern."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

WORDS = ["united_states", "canada", "elsewhere"]
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE site ADD CONSTRAINT site_jurisdiction_check
    CHECK (jurisdiction IN ('united_states', 'canada', 'elsewhere')) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0016_output_classes")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    "ALTER TABLE site ADD COLUMN jurisdiction varchar(20)",
                    "ALTER TABLE site DROP COLUMN jurisdiction",
                ),
                install(CHECK),
            ],
            [
                migrations.AddField(
                    "Site", "jurisdiction", fields.WordField(WORDS, blank=True, max_length=20, null=True)
                )
            ],
        )
    ]
