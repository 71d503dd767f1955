"""The column that said what is paged to a zone, whenever that was, goes; no release has read it."""

from django.db import migrations

COLUMN = "ALTER TABLE zone ADD COLUMN signal varchar(8) DEFAULT 'unknown' NOT NULL"
# Of the rows that are there it holds already; none of them is read through here
CHECK = """
ALTER TABLE zone ADD CONSTRAINT zone_signal_check CHECK (signal IN ('speech', 'tones', 'unknown')) NOT VALID
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0019_facts_of_their_zones_hold")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL("ALTER TABLE zone DROP COLUMN signal", f"{COLUMN};{CHECK}")],
            [migrations.RemoveField("Zone", "signal")],
        )
    ]
