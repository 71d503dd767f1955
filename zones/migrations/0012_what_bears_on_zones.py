"""What bears on which zone today, and how much of a site the last recheck could not compute."""

import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0015_one_index_each"),
        ("zones", "0011_one_index_each"),
    ]

    operations = [
        migrations.AddField(
            model_name="sitecheck",
            name="not_computed",
            field=models.PositiveIntegerField(
                db_default=0, default=0, help_text="How many things of the site could not be computed."
            ),
        ),
        migrations.CreateModel(
            name="ZoneSubject",
            fields=[
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "zone_id",
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
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
                (
                    "zone",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="subjects",
                        to="zones.zone",
                    ),
                ),
            ],
            options={
                "db_table": "zone_subject",
                "indexes": [
                    models.Index(fields=["subject_kind", "subject_id"], name="zone_subject_by_subject")
                ],
            },
        ),
    ]
