"""The day from which proofs of runs are kept. On the way back, what only this release can read goes: findings
of the limits that rest on proofs."""

from django.db import migrations, models

KEPT = "INSERT INTO proofs_kept (id, since) VALUES (1, current_date)"
BACK = "DELETE FROM finding WHERE code IN ('in_service_unproven', 'test_overdue')"


class Migration(migrations.Migration):
    dependencies = [("zones", "0026_test_expected")]
    operations = [
        migrations.CreateModel(
            name="ProofsKept",
            fields=[
                ("id", models.SmallIntegerField(default=1, primary_key=True, serialize=False)),
                ("since", models.DateField()),
            ],
            options={"db_table": "proofs_kept"},
        ),
        migrations.RunSQL(KEPT, BACK),
    ]
