"""A site says on which day it went into service; whatever is not for people alone marks it for a recheck."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install
from sites.changes.sql_v2.site import SITE_MARKS

CHECK = """
ALTER TABLE site ADD CONSTRAINT site_commissioned_on_check
    CHECK (commissioned_on BETWEEN '1970-01-01' AND '2200-12-31') NOT VALID;
"""


class Migration(migrations.Migration):
    dependencies = [("sites", "0009_change_deleted")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [
                migrations.RunSQL(
                    "ALTER TABLE site ADD COLUMN commissioned_on date",
                    "ALTER TABLE site DROP COLUMN commissioned_on",
                ),
                install(CHECK),
            ],
            [migrations.AddField("Site", "commissioned_on", fields.DayField(blank=True, null=True))],
        ),
        SITE_MARKS,
    ]
