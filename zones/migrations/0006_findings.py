"""Findings and cases."""

import django.core.serializers.json
import django.db.models.deletion
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("zones", "0005_recheck"),
    ]

    operations = [
        migrations.CreateModel(
            name="Case",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("key", models.CharField(max_length=120, unique=True)),
                ("opened_at", models.DateTimeField()),
                ("cleared_at", models.DateTimeField(blank=True, null=True)),
                (
                    "quiet",
                    models.BooleanField(
                        default=False, help_text="Opened by a first import: no event of its own."
                    ),
                ),
                ("ticket_reference", models.CharField(blank=True, max_length=120)),
                ("version", models.BigIntegerField(default=1, editable=False)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        help_text="The change that caused it; blank: as found.",
                        null=True,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="cases",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="cases",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "case",
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Finding",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("code", models.CharField(max_length=40)),
                ("subject_kind", models.PositiveSmallIntegerField()),
                ("subject_id", models.BigIntegerField()),
                (
                    "state",
                    models.CharField(
                        choices=[
                            ("open", "open"),
                            ("acknowledged", "acknowledged"),
                            ("deferred", "deferred"),
                            ("cleared", "cleared"),
                        ],
                        default="open",
                        max_length=12,
                    ),
                ),
                ("verdict", models.PositiveSmallIntegerField()),
                ("low", models.FloatField(null=True)),
                ("likely", models.FloatField(null=True)),
                ("high", models.FloatField(null=True)),
                ("limit_value", models.FloatField(null=True)),
                ("detail", models.BigIntegerField(null=True)),
                (
                    "reason",
                    models.TextField(
                        blank=True, help_text="Why it cannot be computed, where that is the finding."
                    ),
                ),
                ("attribution", models.JSONField(encoder=django.core.serializers.json.DjangoJSONEncoder)),
                ("opened_at", models.DateTimeField()),
                ("changed_at", models.DateTimeField()),
                ("cleared_at", models.DateTimeField(blank=True, null=True)),
                ("deferred_until", models.DateField(blank=True, null=True)),
                ("state_reason", models.TextField(blank=True)),
                ("state_by", models.CharField(blank=True, max_length=150)),
                (
                    "outcome",
                    models.CharField(
                        blank=True,
                        choices=[
                            ("", "none yet"),
                            ("repaired", "repaired"),
                            ("record_wrong", "record was wrong"),
                            ("accepted", "accepted by the customer"),
                            ("follows", "follows from another"),
                        ],
                        default="",
                        max_length=14,
                    ),
                ),
                ("version", models.BigIntegerField(default=1, editable=False)),
                (
                    "case",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="findings",
                        to="zones.case",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="findings",
                        to="sites.site",
                    ),
                ),
            ],
            options={
                "db_table": "finding",
                "ordering": ["-id"],
            },
        ),
        migrations.AddIndex(
            model_name="case",
            index=models.Index(fields=["site", "-id"], name="case_by_site"),
        ),
        migrations.AddConstraint(
            model_name="case",
            constraint=models.UniqueConstraint(fields=("site", "id"), name="case_of_site"),
        ),
        migrations.AddIndex(
            model_name="finding",
            index=models.Index(fields=["site", "-id"], name="finding_by_site"),
        ),
        migrations.AddIndex(
            model_name="finding",
            index=models.Index(fields=["case"], name="finding_by_case"),
        ),
        migrations.AddConstraint(
            model_name="finding",
            constraint=models.UniqueConstraint(
                condition=models.Q(("cleared_at__isnull", True)),
                fields=("subject_kind", "subject_id", "code"),
                name="finding_one_open_a_subject_and_limit",
            ),
        ),
        migrations.AddConstraint(
            model_name="finding",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("cleared_at__isnull", False), ("state", "cleared")),
                    models.Q(models.Q(("state", "cleared"), _negated=True), ("cleared_at__isnull", True)),
                    _connector="OR",
                ),
                name="finding_cleared_has_time",
            ),
        ),
        migrations.AddConstraint(
            model_name="finding",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "deferred"), _negated=True),
                    ("deferred_until__isnull", False),
                    _connector="OR",
                ),
                name="finding_deferred_until_a_day",
            ),
        ),
    ]
