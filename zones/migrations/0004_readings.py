"""Readings."""

import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("zones", "0003_landings_and_clips"),
    ]

    operations = [
        migrations.CreateModel(
            name="Reading",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("run_current", "run current at the block [A]"),
                            ("end_voltage", "DC voltage at a point [V]"),
                            ("poe_power", "power of a switch's supply group [W]"),
                        ],
                        max_length=16,
                    ),
                ),
                ("state", models.CharField(choices=[("idle", "idle"), ("paging", "paging")], max_length=8)),
                ("power_group", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("value", models.FloatField(help_text="In the unit of its kind: A, V or W.")),
                (
                    "source_voltage_v",
                    models.FloatField(
                        blank=True, help_text="Measured at the block at the same time.", null=True
                    ),
                ),
                ("taken_on", models.DateField()),
                (
                    "step",
                    models.BigIntegerField(
                        help_text="The record as of this step is what was measured: after the day's last."
                    ),
                ),
                ("technician", models.CharField(blank=True, max_length=120)),
                ("instrument", models.CharField(blank=True, max_length=120)),
                ("calibrated_on", models.DateField(blank=True, null=True)),
                ("note", models.TextField(blank=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_default=sites.models.dated.CurrentChangeSet(),
                        db_index=False,
                        editable=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "point",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.point",
                    ),
                ),
                (
                    "run",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="zones.run",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="superseded_by",
                        to="zones.reading",
                    ),
                ),
                (
                    "switch",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="readings",
                        to="sites.switch",
                    ),
                ),
            ],
            options={
                "db_table": "reading",
                "constraints": [
                    models.UniqueConstraint(fields=("site", "id"), name="reading_of_site"),
                    models.CheckConstraint(
                        condition=models.Q(("value__gte", 0)), name="reading_value_not_negative"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("kind", "run_current"),
                                ("point__isnull", True),
                                ("run__isnull", False),
                                ("switch__isnull", True),
                            ),
                            models.Q(
                                ("kind", "end_voltage"),
                                ("point__isnull", False),
                                ("run__isnull", False),
                                ("switch__isnull", True),
                            ),
                            models.Q(
                                ("kind", "poe_power"),
                                ("point__isnull", True),
                                ("run__isnull", True),
                                ("switch__isnull", False),
                            ),
                            _connector="OR",
                        ),
                        name="reading_subject_of_its_kind",
                    ),
                ],
            },
        ),
    ]
