"""A two-conductor cable type says what colours its conductors have."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

COLUMN = "ALTER TABLE cable_type ADD COLUMN conductor_colours varchar(60) DEFAULT '' NOT NULL"
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE cable_type ADD CONSTRAINT cable_type_conductor_colours_check
    CHECK (zonebook_is_line(conductor_colours)) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0020_highest_voltages_hold")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(COLUMN, "ALTER TABLE cable_type DROP COLUMN conductor_colours"),
                install(CHECK),
            ],
            [
                migrations.AddField(
                    "CableType",
                    "conductor_colours",
                    fields.LineField(blank=True, default="", db_default="", max_length=60),
                )
            ],
        )
    ]
