"""The models of amplifiers say what class their outputs are marked."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

WORDS = ["class_1", "class_2", "class_3", "unmarked"]
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE device_model ADD CONSTRAINT device_model_output_class_check
    CHECK (output_class IN ('class_1', 'class_2', 'class_3', 'unmarked')) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0015_listings_of_cables")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    "ALTER TABLE device_model ADD COLUMN output_class varchar(12)",
                    "ALTER TABLE device_model DROP COLUMN output_class",
                ),
                install(CHECK),
            ],
            [
                migrations.AddField(
                    "DeviceModel",
                    "output_class",
                    fields.WordField(WORDS, blank=True, max_length=12, null=True),
                )
            ],
        )
    ]
