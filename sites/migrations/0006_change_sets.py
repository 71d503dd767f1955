"""A change set says who did the work, where that is not who recorded it; it may be what an edit of the
catalogue corrects at a site; it holds so many operations; and it can be withdrawn whole on the day it was
recorded."""

from django.conf import settings
from django.db import migrations, models
from django.db.models.functions import Now
from django.db.models.lookups import LessThanOrEqual

from sites import fields
from sites.changes.sql_v1 import install
from sites.changes.sql_v2 import withdrawal
from sites.changes.sql_v2.columns import AddColumns

KINDS = fields.WordField(["work", "correction", "catalogue", "takeover"], default="work", max_length=12)
KIND_CHECK = (
    "ALTER TABLE change_set DROP CONSTRAINT change_set_kind_check, ADD CONSTRAINT change_set_kind_check"
)
CHANGE_SET = models.OneToOneField(
    "sites.changeset", models.PROTECT, primary_key=True, related_name="withdrawal"
)
USER = models.ForeignKey(settings.AUTH_USER_MODEL, models.PROTECT, null=True, related_name="+")
COUNT = models.Func(models.F("operations"), function="jsonb_array_length", output_field=models.IntegerField())


class Migration(migrations.Migration):
    dependencies = [("sites", "0005_rules")]
    operations = [
        migrations.SeparateDatabaseAndState([], [migrations.AlterField("ChangeSet", "kind", KINDS)]),
        migrations.CreateModel(
            "Withdrawal",
            [
                ("change_set", CHANGE_SET),
                ("user", USER),
                ("actor", fields.LineField(max_length=150)),
                ("reason", fields.NoteField(blank=False, max_length=2000)),
                ("withdrawn_at", models.DateTimeField(db_default=Now())),
            ],
            {"db_table": "withdrawal"},
        ),
        install(withdrawal.WITHDRAWALS),
        *[migrations.RunSQL(new, old) for new, old in withdrawal.standing_aside()],
        AddColumns(
            "ChangeSet",
            models.CheckConstraint(
                condition=LessThanOrEqual(COUNT, 500), name="change_set_operations_limited"
            ),
            done_by=fields.LineField(blank=True, default="", db_default="", max_length=150),
        ),
        migrations.RunSQL(
            f"{KIND_CHECK} CHECK (kind IN ('work', 'correction', 'catalogue', 'takeover')) NOT VALID",
            f"{KIND_CHECK} CHECK (kind IN ('work', 'correction', 'takeover')) NOT VALID",
        ),
    ]
