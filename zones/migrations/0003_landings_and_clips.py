"""Conductors on block rows, and the clips between a row's halves."""

import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("zones", "0002_runs_and_points"),
    ]

    operations = [
        migrations.CreateModel(
            name="ClipFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "block_id",
                        "row",
                        "step",
                        blank=True,
                        editable=False,
                        primary_key=True,
                        serialize=False,
                    ),
                ),
                ("row", models.PositiveSmallIntegerField()),
                ("is_in", models.BooleanField()),
                (
                    "block",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="clips",
                        to="sites.block",
                    ),
                ),
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
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "clip_facts",
            },
        ),
        migrations.CreateModel(
            name="Landing",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "begin_step",
                    models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False),
                ),
                ("end_step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("row", models.PositiveSmallIntegerField()),
                (
                    "side",
                    models.CharField(choices=[("equipment", "equipment"), ("field", "field")], max_length=10),
                ),
                ("pair", models.PositiveSmallIntegerField(help_text="Pair number in its cable, from 1.")),
                (
                    "conductor",
                    models.CharField(
                        choices=[
                            ("first", "first of the pair (white, red, black, yellow or violet)"),
                            ("second", "second of the pair (blue, orange, green, brown or slate)"),
                        ],
                        max_length=6,
                    ),
                ),
                (
                    "carries",
                    models.CharField(
                        choices=[
                            ("audio_positive", "audio +"),
                            ("audio_negative", "audio −"),
                            ("dc_positive", "DC ground (positive)"),
                            ("dc_negative", "DC −24 V"),
                            ("line_hot", "line hot"),
                            ("line_common", "line common"),
                            ("spare", "spare"),
                        ],
                        max_length=14,
                    ),
                ),
                (
                    "amplifier",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.amplifier",
                    ),
                ),
                (
                    "block",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="landings",
                        to="sites.block",
                    ),
                ),
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
                    "output",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.output",
                    ),
                ),
                (
                    "run",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="landings",
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
                    "supply",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.supply",
                    ),
                ),
            ],
            options={
                "db_table": "landing",
                "indexes": [models.Index(fields=["block", "row"], name="landing_by_row")],
                "constraints": [
                    models.CheckConstraint(condition=models.Q(("row__gte", 1)), name="landing_row_from_1"),
                    models.CheckConstraint(
                        condition=models.Q(("pair__gte", 1), ("pair__lte", 25)), name="landing_pair_1_to_25"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("amplifier__isnull", True),
                                ("output__isnull", True),
                                ("run__isnull", False),
                                ("side", "field"),
                                ("supply__isnull", True),
                            ),
                            models.Q(
                                ("run__isnull", True),
                                ("side", "equipment"),
                                models.Q(
                                    models.Q(
                                        ("amplifier__isnull", True),
                                        ("output__isnull", False),
                                        ("supply__isnull", True),
                                    ),
                                    models.Q(
                                        ("amplifier__isnull", True),
                                        ("output__isnull", True),
                                        ("supply__isnull", False),
                                    ),
                                    models.Q(
                                        ("amplifier__isnull", False),
                                        ("output__isnull", True),
                                        ("supply__isnull", True),
                                    ),
                                    _connector="OR",
                                ),
                            ),
                            _connector="OR",
                        ),
                        name="landing_one_thing_on_its_side",
                    ),
                ],
            },
        ),
    ]
