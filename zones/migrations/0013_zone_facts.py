"""What is paged to a zone is dated: a table of facts, with a row for each zone that there is, since it
began."""

from django.db import migrations

from sites import fields
from sites.changes.sql_v1 import install, record, tables
from sites.changes.sql_v1.rules import hold, stands

# By the change set of the step at which each zone begins
FILLED = """
INSERT INTO zone_facts (site_id, zone_id, step, change_set_id, signal)
SELECT z.site_id, z.id, z.begin_step, coalesce(begun.id, z.change_set_id), 'unknown'
FROM zone z LEFT JOIN change_set begun ON (begun.site_id, begun.step) = (z.site_id, z.begin_step)
"""
SIGNAL = fields.WordField(["speech", "tones", "unknown"], default="unknown", max_length=8)


class Migration(migrations.Migration):
    dependencies = [("zones", "0012_readings")]
    operations = [
        migrations.CreateModel(
            "ZoneFacts",
            [
                *tables.dated("zone_id"),
                ("zone", fields.SiteKey("zones.zone", db_index=False, related_name="facts")),
                ("signal", SIGNAL),
            ],
            {"db_table": "zone_facts"},
        ),
        migrations.RunSQL(FILLED, migrations.RunSQL.noop),
        install(record.watch("zone_facts", "facts", feeds_load=True)),
        install(hold("zone_facts", [stands("zone_facts", "zone_id", "zone")], ["zone_id"])),
    ]
