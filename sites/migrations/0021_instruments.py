"""Instruments that tests are taken with: one list for all sites, with serial numbers and calibrations."""

from django.db import migrations, models
from django.db.models import F, Q
from django.db.models.functions import Lower

from sites import fields
from sites.changes.sql_v1 import install, tables
from sites.changes.sql_v1.shared import watch_shared

KINDS = (
    "multimeter", "clamp_meter", "insulation_tester", "impedance_meter", "tone_set", "level_meter",
    "poe_tester", "other",
)  # fmt: skip


class Migration(migrations.Migration):
    dependencies = [("sites", "0020_indexes")]
    operations = [
        migrations.CreateModel(
            name="Instrument",
            fields=[
                tables.row_id(),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", fields.NameField(max_length=80)),
                ("kind", fields.WordField(list(KINDS), max_length=20)),
                ("serial", fields.LineField(blank=True, max_length=80)),
                ("calibrated_on", fields.DayField(blank=True, null=True)),
                ("calibration_due_on", fields.DayField(blank=True, null=True)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "db_table": "instrument",
                "ordering": ["name", "id"],
                "constraints": [
                    models.UniqueConstraint(Lower("name"), name="instrument_name_once"),
                    models.CheckConstraint(
                        condition=Q(calibration_due_on__gte=F("calibrated_on")),
                        name="instrument_due_after_calibration",
                    ),
                ],
            },
        ),
        install(watch_shared("instrument", version="catalogue")),
    ]
