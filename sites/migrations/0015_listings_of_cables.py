"""Cable types say what they are listed as."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

WORDS = ["communications", "class_2", "class_3", "power"]
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE cable_type ADD CONSTRAINT cable_type_listing_check
    CHECK (listing IN ('communications', 'class_2', 'class_3', 'power')) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0014_conductors")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    "ALTER TABLE cable_type ADD COLUMN listing varchar(20)",
                    "ALTER TABLE cable_type DROP COLUMN listing",
                ),
                install(CHECK),
            ],
            [
                migrations.AddField(
                    "CableType", "listing", fields.WordField(WORDS, blank=True, max_length=20, null=True)
                )
            ],
        )
    ]
