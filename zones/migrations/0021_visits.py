"""Visits: a technician at a closet on a day, for a job."""

from django.db import migrations, models
from django.db.models import Q
from django.db.models.functions import Lower

from sites import fields
from sites.changes.sql_v1 import install, record, tables
from sites.changes.sql_v1.rules import Check, hold
from sites.changes.sql_v1.site_keys import add_site_keys

# A visit has no step: the rule is of its day
HELD = hold(
    "visit",
    [
        Check(
            "visit_made_by_then",
            "n.visited_on > t.happened_on",
            "SELECT change_set_id AS id, visited_on FROM written",
            "change_set",
        )
    ],
    ["change_set_id", "visited_on"],
    step="id",
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0021_instruments"), ("zones", "0020_readings_are_tests")]
    operations = [
        migrations.CreateModel(
            name="Visit",
            fields=[
                tables.row_id(),
                ("site", fields.OfSite("sites.site")),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("closet", fields.SiteKey("sites.closet", related_name="visits")),
                ("visited_on", fields.DayField()),
                ("technician", fields.NameField(max_length=120)),
                ("job_reference", fields.LineField(blank=True, max_length=80)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "db_table": "visit",
                "constraints": [
                    models.UniqueConstraint(
                        fields=["site", "id", "visited_on"], name="visit_of_site_and_day"
                    ),
                    models.UniqueConstraint(
                        "site", "closet", "visited_on", Lower("technician"), name="visit_once_a_day"
                    ),
                ],
                "indexes": [
                    models.Index(fields=["visited_on", "id"], name="visit_by_day"),
                    models.Index(
                        Lower("job_reference"), "id", condition=~Q(job_reference=""), name="visit_by_job"
                    ),
                ],
            },
        ),
        install(add_site_keys([("visit", "closet_id", "closet")])),
        install(record.watch("visit", "plain", feeds_load=False)),
        install(HELD),
    ]
