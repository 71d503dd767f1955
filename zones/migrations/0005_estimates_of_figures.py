"""Each estimate of a stored figure has its own limit and place, and says where it is no number."""

from django.contrib.postgres.fields import ArrayField
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0004_rules")]

    operations = [
        migrations.AddField(
            model_name="figures",
            name="low_limit",
            field=ArrayField(base_field=models.FloatField(null=True), null=True, size=None),
        ),
        migrations.AddField(
            model_name="figures",
            name="high_limit",
            field=ArrayField(base_field=models.FloatField(null=True), null=True, size=None),
        ),
        migrations.AddField(
            model_name="figures",
            name="low_detail",
            field=ArrayField(base_field=models.BigIntegerField(null=True), null=True, size=None),
        ),
        migrations.AddField(
            model_name="figures",
            name="high_detail",
            field=ArrayField(base_field=models.BigIntegerField(null=True), null=True, size=None),
        ),
        migrations.AddField(
            model_name="figures",
            name="overloaded",
            field=ArrayField(
                base_field=models.SmallIntegerField(),
                null=True,
                size=None,
                help_text="Estimates without a stable solution: 1 low, 2 likely, 4 high, added up.",
            ),
        ),
        migrations.AddField(
            model_name="figures",
            name="bounds",
            field=ArrayField(
                base_field=models.SmallIntegerField(),
                null=True,
                size=None,
                help_text="Estimates whose true figure may be harsher than the number, in the same way.",
            ),
        ),
    ]
