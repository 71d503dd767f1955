"""Runs and their points, with their dated facts."""

# ruff: noqa: E501 - as generated

import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("zones", "0001_zones"),
    ]

    operations = [
        migrations.CreateModel(
            name="Point",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "rank",
                    models.FloatField(
                        help_text="Order within the run; a point inserted between two lies between their ranks."
                    ),
                ),
                ("name", models.CharField(max_length=80)),
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
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "point",
                "ordering": ["run_id", "rank"],
            },
        ),
        migrations.CreateModel(
            name="Run",
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
                ("name", models.CharField(max_length=80)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("self_amplified", "self-amplified"),
                            ("constant_voltage", "constant voltage"),
                            ("low_impedance", "low impedance"),
                        ],
                        max_length=20,
                    ),
                ),
                ("note", models.TextField(blank=True)),
                (
                    "block",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="runs",
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
                        on_delete=django.db.models.deletion.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "run",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="PointFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "point_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                ("rank", models.FloatField()),
                ("parent_rank", models.FloatField(blank=True, null=True)),
                (
                    "kind",
                    models.PositiveSmallIntegerField(
                        choices=[(0, "splice"), (1, "device"), (2, "uncounted group")], default=1
                    ),
                ),
                (
                    "device_kind",
                    models.PositiveSmallIntegerField(
                        choices=[(0, "unknown"), (1, "ceiling speaker"), (2, "wall speaker"), (3, "horn")],
                        default=0,
                    ),
                ),
                ("count_low", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("count_likely", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("count_high", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("place", models.CharField(blank=True, max_length=200)),
                ("length_m", models.FloatField(blank=True, null=True)),
                (
                    "length_basis",
                    models.PositiveSmallIntegerField(
                        choices=[
                            (0, "unknown"),
                            (1, "guessed"),
                            (2, "drawing"),
                            (3, "marked"),
                            (4, "measured"),
                        ],
                        default=0,
                    ),
                ),
                (
                    "dc_pairs",
                    models.PositiveSmallIntegerField(
                        blank=True,
                        help_text="Pairs paralleled for DC, or for a line; blank: unknown.",
                        null=True,
                    ),
                ),
                (
                    "negative_cut",
                    models.BooleanField(
                        default=False, help_text="The negative of this segment is cut: a section begins here."
                    ),
                ),
                (
                    "current_basis",
                    models.PositiveSmallIntegerField(
                        choices=[
                            (0, "unknown"),
                            (1, "guessed"),
                            (2, "drawing"),
                            (3, "marked"),
                            (4, "measured"),
                        ],
                        default=3,
                    ),
                ),
                (
                    "speech_current_a",
                    models.FloatField(
                        blank=True,
                        help_text="This device's own current, where known better than its model's.",
                        null=True,
                    ),
                ),
                ("idle_current_a", models.FloatField(blank=True, null=True)),
                ("tap_power_w", models.FloatField(blank=True, null=True)),
                (
                    "tap_basis",
                    models.PositiveSmallIntegerField(
                        choices=[
                            (0, "unknown"),
                            (1, "guessed"),
                            (2, "drawing"),
                            (3, "marked"),
                            (4, "measured"),
                        ],
                        default=0,
                    ),
                ),
                (
                    "cable_type",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.cabletype",
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
                    "feed_supply",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        db_index=False,
                        help_text="A supply that feeds the run here instead of at the block.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.supply",
                    ),
                ),
                (
                    "model",
                    models.ForeignKey(
                        blank=True,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.devicemodel",
                    ),
                ),
                (
                    "parent",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        db_index=False,
                        help_text="Blank: the segment comes from the block.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.point",
                    ),
                ),
                (
                    "point",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="zones.point",
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
                (
                    "zone",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        db_index=False,
                        help_text="The zone it hangs in, where that is not the run's.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.zone",
                    ),
                ),
                (
                    "run",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.run",
                    ),
                ),
            ],
            options={
                "db_table": "point_facts",
            },
        ),
        migrations.AddField(
            model_name="point",
            name="run",
            field=models.ForeignKey(
                db_constraint=False,
                db_index=False,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="points",
                to="zones.run",
            ),
        ),
        migrations.CreateModel(
            name="RunFacts",
            fields=[
                ("step", models.BigIntegerField(db_default=sites.models.dated.CurrentStep(), editable=False)),
                (
                    "pk",
                    models.CompositePrimaryKey(
                        "run_id", "step", blank=True, editable=False, primary_key=True, serialize=False
                    ),
                ),
                (
                    "fuse_fitted",
                    models.BooleanField(
                        blank=True, help_text="Own fuse in the negative leg; blank: unknown.", null=True
                    ),
                ),
                ("fuse_rating_a", models.FloatField(blank=True, null=True)),
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
                        help_text="Audio source of a self-amplified run.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.output",
                    ),
                ),
                (
                    "run",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="facts",
                        to="zones.run",
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
                (
                    "supply",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        help_text="DC supply that feeds the run at its block.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.supply",
                    ),
                ),
                (
                    "zone",
                    models.ForeignKey(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="zones.zone",
                    ),
                ),
            ],
            options={
                "db_table": "run_facts",
            },
        ),
        migrations.AddIndex(
            model_name="run",
            index=models.Index(fields=["block"], name="run_by_block"),
        ),
        migrations.AddConstraint(
            model_name="run",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="run_of_site"),
        ),
        migrations.AddConstraint(
            model_name="run",
            constraint=models.UniqueConstraint(
                condition=models.Q(("end_step__isnull", True)),
                fields=("site", "name"),
                name="run_name_once_a_site",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("parent__isnull", True), ("parent_rank__isnull", True)),
                    models.Q(
                        ("parent__isnull", False),
                        ("parent_rank__isnull", False),
                        ("parent_rank__lt", models.F("rank")),
                    ),
                    _connector="OR",
                ),
                name="point_facts_parent_comes_before",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("length_basis", 0), ("length_m__isnull", True)),
                    models.Q(("length_basis__gt", 0), ("length_m__gte", 0), ("length_m__lte", 100000)),
                    _connector="OR",
                ),
                name="point_facts_length_and_basis",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("tap_basis", 0), ("tap_power_w__isnull", True)),
                    models.Q(("tap_basis__gt", 0), ("tap_power_w__gt", 0)),
                    _connector="OR",
                ),
                name="point_facts_tap_and_basis",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        models.Q(("kind", 2), _negated=True),
                        ("count_high__isnull", True),
                        ("count_likely__isnull", True),
                        ("count_low__isnull", True),
                    ),
                    models.Q(
                        ("count_likely__lte", models.F("count_high")),
                        ("count_low__gte", 0),
                        ("count_low__lte", models.F("count_likely")),
                        ("kind", 2),
                    ),
                    _connector="OR",
                ),
                name="point_facts_counts_of_an_uncounted_group",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("dc_pairs__isnull", True),
                    models.Q(("dc_pairs__gte", 1), ("dc_pairs__lte", 25)),
                    _connector="OR",
                ),
                name="point_facts_dc_pairs_1_to_25",
            ),
        ),
        migrations.AddConstraint(
            model_name="pointfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("speech_current_a__isnull", True), ("speech_current_a__gte", 0), _connector="OR"
                    ),
                    models.Q(("idle_current_a__isnull", True), ("idle_current_a__gte", 0), _connector="OR"),
                ),
                name="point_facts_currents_not_negative",
            ),
        ),
        migrations.AddConstraint(
            model_name="point",
            constraint=models.UniqueConstraint(fields=("site", "run", "id"), name="point_of_site_and_run"),
        ),
        migrations.AddConstraint(
            model_name="point",
            constraint=models.UniqueConstraint(
                fields=("site", "run", "id", "rank"), name="point_of_site_run_and_rank"
            ),
        ),
        migrations.AddConstraint(
            model_name="point",
            constraint=models.UniqueConstraint(fields=("run", "rank"), name="point_rank_once_a_run"),
        ),
        migrations.AddConstraint(
            model_name="point",
            constraint=models.UniqueConstraint(fields=("run", "name"), name="point_name_once_a_run"),
        ),
        migrations.AddConstraint(
            model_name="runfacts",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("fuse_rating_a__isnull", True),
                    models.Q(("fuse_fitted", True), ("fuse_rating_a__gt", 0)),
                    _connector="OR",
                ),
                name="run_facts_fuse_rating_of_a_fitted_fuse",
            ),
        ),
    ]
