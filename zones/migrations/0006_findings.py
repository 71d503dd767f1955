"""Each estimate of a finding has its own limit and place, and says where it is no number. A finding keeps
what lists are sorted by, which a recheck with the new formulas writes for those that are open, and by what
it cleared. Its reasons have a length: what the release before wrote is within it, since the service cut
it, and REST took no more."""

from django.db import migrations, models
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual

from sites.changes.sql_v2.columns import AddColumns

JOINED = models.Func(
    models.F("reasons"), models.Value(""), function="array_to_string", output_field=models.TextField()
)
REASONS = models.Q(("reasons__len__lte", 20), LessThanOrEqual(Length(JOINED), 10000))
STATE_REASON = LessThanOrEqual(Length("state_reason"), 2000)


class Migration(migrations.Migration):
    dependencies = [("zones", "0005_figures")]
    operations = [
        migrations.AlterField("Finding", "state_reason", models.TextField(max_length=2000)),
        AddColumns(
            "Finding",
            models.CheckConstraint(condition=STATE_REASON, name="finding_state_reason_limited"),
            models.CheckConstraint(condition=REASONS, name="finding_reasons_limited"),
            low_limit=models.FloatField(null=True),
            high_limit=models.FloatField(null=True),
            low_detail=models.BigIntegerField(null=True),
            high_detail=models.BigIntegerField(null=True),
            overloaded=models.SmallIntegerField(db_default=0, default=0),
            bounds=models.SmallIntegerField(db_default=0, default=0),
            gravity=models.SmallIntegerField(db_default=0, default=0),
            clearing=models.JSONField(null=True),
        ),
    ]
