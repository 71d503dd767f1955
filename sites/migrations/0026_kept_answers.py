"""Answers to writes with an Idempotency-Key are kept for a day."""

import django.contrib.postgres.fields
from django.db import migrations, models
from django.db.models.functions import Now


class Migration(migrations.Migration):
    dependencies = [("sites", "0025_factors_followed")]
    operations = [
        migrations.CreateModel(
            name="KeptAnswer",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("caller", models.CharField(help_text="user 3, or token 12 of a user.", max_length=40)),
                ("route", models.CharField(max_length=200)),
                ("key", models.CharField(max_length=255)),
                ("payload_digest", models.CharField(max_length=64)),
                (
                    "customer_ids",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.BigIntegerField(),
                        help_text="What the caller saw; null: every customer.",
                        null=True,
                        size=None,
                    ),
                ),
                ("status", models.PositiveSmallIntegerField()),
                ("headers", models.JSONField(default=dict)),
                ("body", models.BinaryField()),
                ("made_at", models.DateTimeField(db_default=Now())),
            ],
            options={
                "db_table": "kept_answer",
                "indexes": [models.Index(fields=["made_at"], name="kept_answer_by_age")],
                "constraints": [
                    models.UniqueConstraint(fields=("caller", "route", "key"), name="kept_answer_once")
                ],
            },
        ),
    ]
