"""Figures, due dates and how each site's last recheck went."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("zones", "0004_readings"),
    ]

    operations = [
        migrations.CreateModel(
            name="SiteCheck",
            fields=[
                (
                    "site",
                    models.OneToOneField(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="sites.site",
                    ),
                ),
                ("checked_at", models.DateTimeField(null=True)),
                ("as_of", models.DateField(null=True)),
                ("solver_version", models.PositiveSmallIntegerField(null=True)),
                ("failures", models.PositiveIntegerField(default=0)),
                ("last_error", models.TextField(blank=True)),
                ("next_attempt_at", models.DateTimeField(null=True)),
            ],
            options={
                "db_table": "site_check",
            },
        ),
        migrations.CreateModel(
            name="DueDate",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("reason", models.CharField(max_length=40)),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "due_date",
                "indexes": [models.Index(fields=["at"], name="due_date_by_time")],
                "constraints": [
                    models.UniqueConstraint(fields=("site", "at", "reason"), name="due_date_once")
                ],
            },
        ),
        migrations.CreateModel(
            name="Figures",
            fields=[
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "subject_kind",
                        "subject_id",
                        blank=True,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("subject_kind", models.PositiveSmallIntegerField()),
                ("subject_id", models.BigIntegerField()),
                (
                    "codes",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.CharField(max_length=40), size=None
                    ),
                ),
                (
                    "low",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(null=True), size=None
                    ),
                ),
                (
                    "likely",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(null=True), size=None
                    ),
                ),
                (
                    "high",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(null=True), size=None
                    ),
                ),
                (
                    "limit_value",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(null=True), size=None
                    ),
                ),
                (
                    "verdict",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.PositiveSmallIntegerField(), size=None
                    ),
                ),
                (
                    "detail",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.BigIntegerField(null=True),
                        help_text="Where: the point, port or row that decides.",
                        size=None,
                    ),
                ),
                (
                    "supported",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(null=True),
                        help_text="Share of the load on measured or marked data.",
                        size=None,
                    ),
                ),
                ("as_of", models.DateField()),
                ("solver_version", models.PositiveSmallIntegerField()),
                ("computed_at", models.DateTimeField()),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "figures",
                "indexes": [models.Index(fields=["site"], name="figures_by_site")],
            },
        ),
    ]
