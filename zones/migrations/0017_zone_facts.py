"""What is paged to a zone is dated: a table of facts, filled from the zones that there are.

On the way back the column of the zones is "unknown" throughout: to fill it, their triggers would have to be
stopped, and with them whoever writes. The release before has no such column.
"""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install, record, tables
from sites.changes.sql_v1.rules import hold, stands

# From the step at which each zone begins, by the change set of that step
FILLED = """
INSERT INTO zone_facts (site_id, zone_id, step, change_set_id, signal)
SELECT z.site_id, z.id, z.begin_step, coalesce(begun.id, z.change_set_id), z.signal
FROM zone z LEFT JOIN change_set begun ON (begun.site_id, begun.step) = (z.site_id, z.begin_step)
"""


class Migration(migrations.Migration):
    dependencies = [("zones", "0016_findings_of_new_limits")]
    operations = [
        migrations.CreateModel(
            name="ZoneFacts",
            fields=[
                *tables.dated("zone_id"),
                ("zone", fields.SiteKey("zones.zone", db_index=False, related_name="facts")),
                (
                    "signal",
                    fields.WordField(["speech", "tones", "unknown"], default="unknown", max_length=8),
                ),
            ],
            options={"db_table": "zone_facts"},
        ),
        migrations.RunSQL(FILLED, migrations.RunSQL.noop),
        install(record.watch("zone_facts", "facts", feeds_load=True)),
        install(hold("zone_facts", [stands("zone_facts", "zone_id", "zone")], ["zone_id"])),
    ]
