"""How long rechecks take, for monitoring."""

from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("zones", "0029_point_facts_of_runs")]
    operations = [
        migrations.CreateModel(
            name="RecheckTime",
            fields=[
                ("lane", models.PositiveSmallIntegerField(primary_key=True, serialize=False)),
                ("batches", models.BigIntegerField()),
                ("sites", models.BigIntegerField()),
                ("seconds", models.FloatField()),
            ],
            options={"db_table": "recheck_time"},
        )
    ]
