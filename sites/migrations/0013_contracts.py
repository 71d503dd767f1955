"""A contract says in which hours its response hours count. Its other setting has the name of the
customer's, in the column that the last release reads; an edit of it marks the sites that the contract
covers."""

from django.db import migrations, models
from django.db.models import F, Q

from sites import fields
from sites.changes.sql_v2.columns import AddColumns
from sites.changes.sql_v2.probably_past import CONTRACT_MARKS

COVER = ["around_the_clock", "working_hours"]
WEEK = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
DAY_OF_WEEK = fields.WordField(WEEK, max_length=9)
RENAMED = fields.FlagField(db_column="event_when_probable", default=True)
STATED = Q(working_days__len__gt=0, working_until__gt=F("working_from")) & ~Q(working_from="")


class Migration(migrations.Migration):
    dependencies = [("sites", "0012_programs")]
    operations = [
        migrations.SeparateDatabaseAndState(
            [],
            [
                migrations.RenameField("Contract", "event_when_probable", "probably_past_opens_cases"),
                migrations.AlterField("Contract", "probably_past_opens_cases", RENAMED),
            ],
        ),
        AddColumns(
            "Contract",
            models.CheckConstraint(
                condition=Q(cover_hours__isnull=True) | ~Q(cover_hours="working_hours") | STATED,
                name="contract_working_hours_stated",
            ),
            cover_hours=fields.WordField(COVER, max_length=20, null=True),
            working_days=fields.ListField(DAY_OF_WEEK, default=list, max_items=7),
            working_from=fields.TimeOfDayField(),
            working_until=fields.TimeOfDayField(),
            holidays=fields.ListField(fields.DayField(), default=list, max_items=400),
        ),
        CONTRACT_MARKS,
    ]
