"""Each estimate of a finding has its own limit and place, and says where it is no number."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0005_estimates_of_figures")]

    operations = [
        migrations.AddField(
            model_name="finding",
            name="low_limit",
            field=models.FloatField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="finding",
            name="high_limit",
            field=models.FloatField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="finding",
            name="low_detail",
            field=models.BigIntegerField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="finding",
            name="high_detail",
            field=models.BigIntegerField(editable=False, null=True),
        ),
        migrations.AddField(
            model_name="finding",
            name="overloaded",
            field=models.SmallIntegerField(
                db_default=0,
                default=0,
                editable=False,
                help_text="Estimates without a stable solution: 1 low, 2 likely, 4 high, added up.",
            ),
        ),
        migrations.AddField(
            model_name="finding",
            name="bounds",
            field=models.SmallIntegerField(
                db_default=0,
                default=0,
                editable=False,
                help_text="Estimates whose true figure may be harsher than the number, in the same way.",
            ),
        ),
    ]
