"""A zone says what is paged to it: speech, or tones at full output."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install

COLUMN = "ALTER TABLE zone ADD COLUMN signal varchar(8) DEFAULT 'unknown' NOT NULL"
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE zone ADD CONSTRAINT zone_signal_check CHECK (signal IN ('speech', 'tones', 'unknown')) NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0013_reading_error_holds")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(COLUMN, "ALTER TABLE zone DROP COLUMN signal"), install(CHECK)],
            [
                migrations.AddField(
                    "Zone",
                    "signal",
                    fields.WordField(
                        ["speech", "tones", "unknown"],
                        default="unknown",
                        db_default="unknown",
                        max_length=8,
                    ),
                )
            ],
        )
    ]
