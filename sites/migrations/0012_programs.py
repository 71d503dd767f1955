"""What programs send: a token has so many scopes, and the answer to a write with an Idempotency-Key is
kept."""

from django.contrib.postgres.fields import ArrayField
from django.db import migrations, models
from django.db.models.functions import Now

from sites.changes.sql_v1 import tables
from sites.changes.sql_v2.columns import AddColumns


class Migration(migrations.Migration):
    dependencies = [("sites", "0011_secrets")]
    operations = [
        migrations.CreateModel(
            "KeptAnswer",
            [
                tables.row_id(),
                ("caller", models.CharField(max_length=40)),
                ("route", models.CharField(max_length=200)),
                ("key", models.CharField(max_length=255)),
                ("payload_digest", models.CharField(max_length=64)),
                ("customer_ids", ArrayField(models.BigIntegerField(), null=True)),
                ("status", models.PositiveSmallIntegerField()),
                ("headers", models.JSONField(default=dict)),
                ("body", models.BinaryField()),
                ("made_at", models.DateTimeField(db_default=Now())),
            ],
            {
                "db_table": "kept_answer",
                "indexes": [models.Index(fields=["made_at"], name="kept_answer_by_age")],
                "constraints": [
                    models.UniqueConstraint(fields=["caller", "route", "key"], name="kept_answer_once")
                ],
            },
        ),
        AddColumns(
            "Token",
            models.CheckConstraint(condition=models.Q(scopes__len__lte=40), name="token_scopes_at_most_40"),
        ),
    ]
