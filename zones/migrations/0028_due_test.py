"""The next due test of each run, as rechecks find it."""

import django.utils.timezone
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [("sites", "0024_person_removals"), ("zones", "0027_proofs_kept")]
    operations = [
        migrations.CreateModel(
            name="DueTest",
            fields=[
                ("id", models.BigAutoField(primary_key=True, serialize=False)),
                ("due_on", models.DateField()),
                ("proven_on", models.DateField(null=True)),
                ("surveyed", models.BooleanField()),
                ("changed_at", models.DateTimeField(default=django.utils.timezone.now, editable=False)),
                ("contract", models.ForeignKey(
                    db_constraint=False, on_delete=models.deletion.DO_NOTHING, related_name="due_tests",
                    to="sites.contract",
                )),
                ("site", models.ForeignKey(
                    db_constraint=False, on_delete=models.deletion.CASCADE, related_name="due_tests",
                    to="sites.site",
                )),
                ("run", models.OneToOneField(
                    db_constraint=False, on_delete=models.deletion.DO_NOTHING, related_name="due_test",
                    to="zones.run",
                )),
            ],
            options={
                "db_table": "due_test",
                "indexes": [models.Index(fields=["due_on", "id"], name="due_test_by_day")],
            },
        )
    ]  # fmt: skip
