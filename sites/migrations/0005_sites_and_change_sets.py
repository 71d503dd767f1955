"""Sites, which contract covers them, and the change sets and change record behind every row."""

import django.contrib.postgres.constraints
import django.contrib.postgres.fields.ranges
import django.core.serializers.json
import django.db.models.deletion
import django.db.models.functions.datetime
from django.conf import settings
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0004_access"),
    ]

    operations = [
        migrations.CreateModel(
            name="ChangeSet",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "state",
                    models.CharField(
                        choices=[("draft", "draft"), ("accepted", "accepted"), ("withdrawn", "withdrawn")],
                        default="draft",
                        max_length=10,
                    ),
                ),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("work", "work on site"),
                            ("correction", "record correction"),
                            ("takeover", "first record of a site"),
                        ],
                        default="work",
                        max_length=12,
                    ),
                ),
                (
                    "purpose",
                    models.CharField(
                        choices=[
                            ("record", "as-built change"),
                            ("what_if", "what-if"),
                            ("plan", "saved plan"),
                            ("redline", "technician's redline"),
                        ],
                        default="record",
                        max_length=10,
                    ),
                ),
                (
                    "channel",
                    models.CharField(
                        choices=[
                            ("rest", "REST"),
                            ("page", "page"),
                            ("import", "import"),
                            ("command", "command"),
                            ("sql", "SQL"),
                        ],
                        max_length=10,
                    ),
                ),
                (
                    "actor",
                    models.CharField(
                        help_text="Who did it, as a person reads it: kept even when the user goes.",
                        max_length=150,
                    ),
                ),
                ("reason", models.TextField()),
                ("job_reference", models.CharField(blank=True, max_length=80)),
                (
                    "happened_on",
                    models.DateField(
                        blank=True, help_text="Day in the site's time zone; needed to accept.", null=True
                    ),
                ),
                (
                    "quiet",
                    models.BooleanField(
                        default=False, help_text="First import of a site: findings open without events."
                    ),
                ),
                (
                    "operations",
                    models.JSONField(default=list, encoder=django.core.serializers.json.DjangoJSONEncoder),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("recorded_at", models.DateTimeField(blank=True, editable=False, null=True)),
                ("step", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("transaction_id", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("version", models.BigIntegerField(default=1, editable=False)),
                (
                    "accepted_by",
                    models.ForeignKey(
                        blank=True,
                        help_text="Who made a draft the record, where that is not who drew it up.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "user",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
            options={
                "db_table": "change_set",
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Site",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "code",
                    models.SlugField(
                        help_text="The integrator's own key for this site.", max_length=60, unique=True
                    ),
                ),
                ("name", models.TextField()),
                ("address", models.TextField(blank=True)),
                ("city", models.TextField(blank=True)),
                ("postal_code", models.CharField(blank=True, max_length=20)),
                ("time_zone", models.CharField(default="UTC", max_length=64)),
                (
                    "length_unit",
                    models.CharField(choices=[("m", "metres"), ("ft", "feet")], default="m", max_length=2),
                ),
                (
                    "design_temperature_c",
                    models.FloatField(
                        default=20.0, help_text="Conductors are computed at this temperature [°C]."
                    ),
                ),
                (
                    "surveyed_on",
                    models.DateField(
                        blank=True,
                        help_text="For a site taken over: the day its record was taken as found.",
                        null=True,
                    ),
                ),
                ("out_of_hours_phone", models.CharField(blank=True, max_length=60)),
                ("induction", models.TextField(blank=True)),
                ("permits", models.TextField(blank=True)),
                ("dangers", models.TextField(blank=True)),
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
                    "customer",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="sites", to="sites.customer"
                    ),
                ),
            ],
            options={
                "db_table": "site",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Mark",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                (
                    "lane",
                    models.PositiveSmallIntegerField(
                        choices=[(0, "interactive"), (1, "bulk"), (2, "set aside")], default=0
                    ),
                ),
                ("reason", models.CharField(default="record changed", max_length=40)),
                ("made_at", models.DateTimeField(db_default=django.db.models.functions.datetime.Now())),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        null=True,
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
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
                "db_table": "mark",
            },
        ),
        migrations.CreateModel(
            name="Coverage",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("days", django.contrib.postgres.fields.ranges.DateRangeField()),
                (
                    "contract",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="coverages",
                        to="sites.contract",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="coverages", to="sites.site"
                    ),
                ),
            ],
            options={
                "db_table": "coverage",
            },
        ),
        migrations.AddField(
            model_name="changeset",
            name="site",
            field=models.ForeignKey(
                blank=True,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="change_sets",
                to="sites.site",
            ),
        ),
        migrations.CreateModel(
            name="Change",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("table_name", models.CharField(max_length=63)),
                ("operation", models.CharField(max_length=6)),
                ("row_count", models.IntegerField()),
                ("old_rows", models.JSONField(null=True)),
                ("new_rows", models.JSONField(null=True)),
                ("at", models.DateTimeField(db_default=django.db.models.functions.datetime.Now())),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="changes",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "change",
            },
        ),
        migrations.AddConstraint(
            model_name="site",
            constraint=models.CheckConstraint(
                condition=models.Q(("design_temperature_c__gte", -60), ("design_temperature_c__lte", 90)),
                name="site_design_temperature_plausible",
            ),
        ),
        migrations.AddIndex(
            model_name="mark",
            index=models.Index(fields=["lane", "site"], name="mark_by_lane_and_site"),
        ),
        migrations.AddConstraint(
            model_name="coverage",
            constraint=models.CheckConstraint(
                condition=models.Q(("days__isempty", False)), name="coverage_has_days"
            ),
        ),
        migrations.AddConstraint(
            model_name="coverage",
            constraint=django.contrib.postgres.constraints.ExclusionConstraint(
                expressions=[(models.F("site"), "="), (models.F("days"), "&&")],
                name="coverage_one_contract_a_site_at_a_time",
            ),
        ),
        migrations.AddIndex(
            model_name="changeset",
            index=models.Index(fields=["site", "-id"], name="change_set_by_site"),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.UniqueConstraint(fields=("site", "step"), name="change_set_step_once_a_site"),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="change_set_of_site"),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "accepted"), _negated=True),
                    models.Q(("happened_on__isnull", False), ("recorded_at__isnull", False)),
                    _connector="OR",
                ),
                name="change_set_accepted_has_day",
            ),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "accepted"), _negated=True),
                    ("site__isnull", True),
                    ("step__isnull", False),
                    _connector="OR",
                ),
                name="change_set_accepted_has_step",
            ),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.CheckConstraint(
                condition=models.Q(("reason", ""), _negated=True), name="change_set_has_reason"
            ),
        ),
        migrations.AddConstraint(
            model_name="changeset",
            constraint=models.CheckConstraint(
                condition=models.Q(("actor", ""), _negated=True), name="change_set_has_actor"
            ),
        ),
        migrations.AddIndex(
            model_name="change",
            index=models.Index(fields=["change_set"], name="change_by_change_set"),
        ),
        migrations.AddIndex(
            model_name="change",
            index=models.Index(fields=["site", "-id"], name="change_by_site"),
        ),
    ]
