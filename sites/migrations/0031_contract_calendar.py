"""A contract says in which hours its response hours count: days of the week, times and holidays."""

from typing import Any

from django.contrib.postgres.operations import AddConstraintNotValid
from django.db import migrations, models
from django.db.models import F, Q

from sites import fields
from sites.changes.sql_v1 import install

WEEK = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
COVER = ("around_the_clock", "working_hours")
COLUMNS: dict[str, Any] = {
    "cover_hours": fields.WordField(list(COVER), blank=True, max_length=20, null=True),
    "working_days": fields.ListField(
        fields.WordField(list(WEEK), max_length=9), blank=True, default=list, max_items=7
    ),
    "working_from": fields.TimeOfDayField(),
    "working_until": fields.TimeOfDayField(),
    "holidays": fields.ListField(fields.DayField(), blank=True, default=list, max_items=400),
}
TYPES = {
    "cover_hours": "varchar(20) NULL",
    "working_days": "varchar(9)[] NOT NULL DEFAULT '{}'",
    "working_from": "varchar(5) NOT NULL DEFAULT ''",
    "working_until": "varchar(5) NOT NULL DEFAULT ''",
    "holidays": "date[] NOT NULL DEFAULT '{}'",
}
ADDED = "".join(f"ALTER TABLE contract ADD COLUMN {name} {kind};\n" for name, kind in TYPES.items())
DROPPED = "".join(f"ALTER TABLE contract DROP COLUMN {name};\n" for name in TYPES)
# They hold for the rows that are there already, so none of them is read through here
CHECKS = "".join(
    f"ALTER TABLE contract ADD CONSTRAINT contract_{name}_check "
    f"CHECK ({' AND '.join(field.conditions(name))}) NOT VALID;\n"
    for name, field in COLUMNS.items()
)


class Migration(migrations.Migration):
    dependencies = [("sites", "0030_orders_of_lists")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [migrations.RunSQL(ADDED, DROPPED), install(CHECKS)],
            [migrations.AddField("Contract", name, field) for name, field in COLUMNS.items()],
        ),
        AddConstraintNotValid(
            "Contract",
            models.CheckConstraint(
                condition=Q(cover_hours__isnull=True)
                | ~Q(cover_hours="working_hours")
                | Q(working_days__len__gt=0, working_until__gt=F("working_from")) & ~Q(working_from=""),
                name="contract_working_hours_stated",
            ),
        ),
    ]
