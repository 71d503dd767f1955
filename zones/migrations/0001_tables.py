"""What zones carry: runs, points, landings, readings; figures, findings and cases."""

# ruff: noqa: E501 - as generated
from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import migrations, models
from django.db.models.functions import Lower

from sites import fields
from sites.changes.sql_v1 import tables


class Migration(migrations.Migration):
    dependencies = [("sites", "0002_tables")]
    operations = [
        migrations.CreateModel(
            name="Zone",
            fields=[
                *tables.placed(),
                ("name", fields.NameField(max_length=120)),
                ("page_code", fields.LineField(blank=True, max_length=20)),
                (
                    "groups",
                    fields.ListField(
                        base_field=fields.NameField(max_length=80),
                        blank=True,
                        default=list,
                        max_items=50,
                        size=None,
                    ),
                ),
                tables.whole("priority", minimum=0, maximum=9999),
                ("life_safety", fields.WordField(["yes", "no", "unknown"], default="unknown", max_length=8)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("zone"),
                    tables.name_once("zone"),
                ],
                "db_table": "zone",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="ZoneEndpoint",
            fields=[
                *tables.placed(),
                ("zone", fields.SiteKey("zones.zone", related_name="zone_endpoints")),
                ("endpoint", fields.SiteKey("sites.endpoint", related_name="zone_endpoints")),
            ],
            options={
                "constraints": [tables.standing_once("zone", models.F("endpoint"), "zone_endpoint_once")],
                "db_table": "zone_endpoint",
            },
        ),
        migrations.CreateModel(
            name="PagingSet",
            fields=[
                *tables.placed(),
                ("name", fields.NameField(max_length=80)),
            ],
            options={
                "constraints": [
                    tables.of_site("paging_set"),
                    tables.name_once("paging_set"),
                ],
                "db_table": "paging_set",
            },
        ),
        migrations.CreateModel(
            name="PagingSetZone",
            fields=[
                tables.row_id(),
                ("site", fields.OfSite("sites.site")),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("paging_set", fields.SiteKey("zones.pagingset", related_name="members")),
                ("zone", fields.SiteKey("zones.zone")),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("paging_set", "zone"), name="paging_set_zone_once")
                ],
                "db_table": "paging_set_zone",
            },
        ),
        migrations.CreateModel(
            name="Run",
            fields=[
                *tables.placed(),
                ("block", fields.SiteKey("sites.block", related_name="runs")),
                ("name", fields.NameField(max_length=80)),
                (
                    "kind",
                    fields.WordField(["self_amplified", "constant_voltage", "low_impedance"], max_length=20),
                ),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("run"),
                    tables.name_once("run"),
                ],
                "db_table": "run",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="RunFacts",
            fields=[
                *tables.dated("run_id"),
                ("run", fields.SiteKey("zones.run", db_index=False, related_name="facts")),
                ("zone", fields.SiteKey("zones.zone", null=True)),
                ("output", fields.SiteKey("sites.output", null=True)),
                ("supply", fields.SiteKey("sites.supply", null=True)),
                ("amplifier", fields.SiteKey("sites.amplifier", null=True)),
                ("fuse_fitted", fields.FlagField(blank=True, null=True)),
                tables.quantity("fuse_rating_a", "A", above=0, maximum=100),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("fuse_rating_a__isnull", True),
                            models.Q(("fuse_fitted", True), ("fuse_rating_a__isnull", False)),
                            _connector="OR",
                        ),
                        name="run_facts_fuse_rating_of_a_fitted_fuse",
                    )
                ],
                "db_table": "run_facts",
            },
        ),
        migrations.CreateModel(
            name="Point",
            fields=[
                tables.row_id(),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("site", fields.OfSite("sites.site", db_constraint=False, db_index=False)),
                ("run", fields.SiteKey("zones.run", db_index=False, related_name="points")),
                ("rank", fields.QuantityField(maximum=1000000000.0, minimum=-1000000000.0)),
                ("name", fields.NameField(max_length=80)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("site", "run", "id"), name="point_of_site_and_run"),
                    models.UniqueConstraint(
                        fields=("site", "run", "id", "rank"), name="point_of_site_run_and_rank"
                    ),
                    models.UniqueConstraint(fields=("run", "rank"), name="point_rank_once_a_run"),
                    models.UniqueConstraint(models.F("run"), Lower("name"), name="point_name_once_a_run"),
                ],
                "db_table": "point",
                "ordering": ["run_id", "rank"],
            },
        ),
        migrations.CreateModel(
            name="PointFacts",
            fields=[
                *tables.dated("point_id"),
                ("run", fields.SiteKey("zones.run", db_index=False)),
                ("point", fields.SiteKey("zones.point", db_index=False, related_name="facts")),
                ("rank", fields.QuantityField(maximum=1000000000.0, minimum=-1000000000.0)),
                ("parent", fields.SiteKey("zones.point", db_index=False, null=True)),
                tables.quantity("parent_rank", minimum=-1000000000.0, maximum=1000000000.0),
                ("kind", fields.NumberedWordField(["splice", "device", "uncounted_group"], default=1)),
                (
                    "device_kind",
                    fields.NumberedWordField(
                        ["unknown", "ceiling_speaker", "wall_speaker", "horn"], default=0
                    ),
                ),
                ("model", fields.SharedKey("sites.devicemodel", db_index=False, null=True)),
                tables.whole("count_low", minimum=0, maximum=1000),
                tables.whole("count_likely", minimum=0, maximum=1000),
                tables.whole("count_high", minimum=0, maximum=1000),
                ("place", fields.LineField(blank=True, max_length=200)),
                tables.quantity("length_m", "m", minimum=0, maximum=10000),
                tables.basis("length_basis"),
                ("cable_type", fields.SharedKey("sites.cabletype", db_index=False, null=True)),
                tables.whole("dc_pairs", minimum=1, maximum=25),
                ("negative_cut", fields.FlagField(default=False)),
                tables.basis("current_basis", default=3),
                tables.quantity("speech_current_a", "A", minimum=0, maximum=20),
                tables.quantity("idle_current_a", "A", minimum=0, maximum=20),
                tables.quantity("tap_power_w", "W", above=0, maximum=500),
                tables.basis("tap_basis"),
                ("zone", fields.SiteKey("zones.zone", db_index=False, null=True)),
                ("feed_supply", fields.SiteKey("sites.supply", db_index=False, null=True)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
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
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("length_basis", 0), ("length_m__isnull", True)),
                            models.Q(("length_basis__gt", 0), ("length_m__isnull", False)),
                            _connector="OR",
                        ),
                        name="point_facts_length_and_basis",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("tap_basis", 0), ("tap_power_w__isnull", True)),
                            models.Q(("tap_basis__gt", 0), ("tap_power_w__isnull", False)),
                            _connector="OR",
                        ),
                        name="point_facts_tap_and_basis",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(
                                ("count_high__isnull", True),
                                ("count_likely__isnull", True),
                                ("count_low__isnull", True),
                            ),
                            models.Q(
                                ("count_high__isnull", False),
                                ("count_likely__isnull", False),
                                ("count_likely__lte", models.F("count_high")),
                                ("count_low__isnull", False),
                                ("count_low__lte", models.F("count_likely")),
                                ("kind", 2),
                            ),
                            _connector="OR",
                        ),
                        name="point_facts_counts_of_an_uncounted_group",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", 0), _negated=True),
                            models.Q(
                                ("device_kind", 0),
                                ("idle_current_a__isnull", True),
                                ("model__isnull", True),
                                ("speech_current_a__isnull", True),
                                ("tap_power_w__isnull", True),
                            ),
                            _connector="OR",
                        ),
                        name="point_facts_splice_is_bare",
                    ),
                ],
                "db_table": "point_facts",
            },
        ),
        migrations.CreateModel(
            name="Landing",
            fields=[
                *tables.placed(),
                ("block", fields.SiteKey("sites.block", related_name="landings")),
                ("row", fields.WholeField(maximum=400, minimum=1)),
                ("side", fields.WordField(["equipment", "field"], max_length=10)),
                ("run", fields.SiteKey("zones.run", null=True, related_name="landings")),
                ("output", fields.SiteKey("sites.output", null=True)),
                ("supply", fields.SiteKey("sites.supply", null=True)),
                ("amplifier", fields.SiteKey("sites.amplifier", null=True)),
                ("pair", fields.WholeField(maximum=25, minimum=1)),
                ("conductor", fields.WordField(["first", "second"], max_length=6)),
                (
                    "carries",
                    fields.WordField(
                        [
                            "audio_positive",
                            "audio_negative",
                            "dc_positive",
                            "dc_negative",
                            "line_hot",
                            "line_common",
                            "spare",
                        ],
                        max_length=14,
                    ),
                ),
            ],
            options={
                "constraints": [
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
                    )
                ],
                "db_table": "landing",
                "indexes": [models.Index(fields=["block", "row"], name="landing_by_row")],
            },
        ),
        migrations.CreateModel(
            name="ClipFacts",
            fields=[
                ("change_set", fields.WriterKey("sites.changeset")),
                ("site", fields.OfSite("sites.site", db_constraint=False)),
                ("step", fields.StepField()),
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
                ("block", fields.SiteKey("sites.block", db_index=False, related_name="clips")),
                ("row", fields.WholeField(maximum=400, minimum=1)),
                ("is_in", fields.FlagField()),
            ],
            options={
                "db_table": "clip_facts",
            },
        ),
        migrations.CreateModel(
            name="Reading",
            fields=[
                tables.row_id(),
                ("site", fields.OfSite("sites.site")),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("kind", fields.WordField(["run_current", "end_voltage", "poe_power"], max_length=16)),
                ("state", fields.WordField(["idle", "paging"], max_length=8)),
                ("run", fields.SiteKey("zones.run", null=True, related_name="readings")),
                ("point", fields.SiteKey("zones.point", null=True)),
                ("switch", fields.SiteKey("sites.switch", null=True, related_name="readings")),
                tables.whole("power_group", minimum=0, maximum=999),
                ("value", fields.QuantityField(maximum=10000, minimum=0)),
                tables.quantity("source_voltage_v", "V", minimum=0, maximum=120),
                ("taken_on", fields.DayField()),
                (
                    "step",
                    models.BigIntegerField(
                        help_text="The record as of this step is what was measured: after the day's last."
                    ),
                ),
                ("technician", fields.LineField(blank=True, max_length=120)),
                ("instrument", fields.LineField(blank=True, max_length=120)),
                ("calibrated_on", fields.DayField(blank=True, null=True)),
                (
                    "supersedes",
                    models.OneToOneField(
                        blank=True,
                        db_constraint=False,
                        null=True,
                        on_delete=models.PROTECT,
                        related_name="superseded_by",
                        to="zones.reading",
                    ),
                ),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("reading"),
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
                "db_table": "reading",
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
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.CASCADE, related_name="+", to="sites.site"
                    ),
                ),
                ("subject_kind", models.PositiveSmallIntegerField()),
                ("subject_id", models.BigIntegerField()),
                ("codes", ArrayField(base_field=models.CharField(max_length=40), size=None)),
                ("low", ArrayField(base_field=models.FloatField(null=True), size=None)),
                ("likely", ArrayField(base_field=models.FloatField(null=True), size=None)),
                ("high", ArrayField(base_field=models.FloatField(null=True), size=None)),
                ("limit_value", ArrayField(base_field=models.FloatField(null=True), size=None)),
                ("verdict", ArrayField(base_field=models.PositiveSmallIntegerField(), size=None)),
                (
                    "detail",
                    ArrayField(
                        base_field=models.BigIntegerField(null=True),
                        help_text="Where: the point, port or row that decides.",
                        size=None,
                    ),
                ),
                (
                    "supported",
                    ArrayField(
                        base_field=models.FloatField(null=True),
                        help_text="Share of the load on measured or marked data.",
                        size=None,
                    ),
                ),
                ("as_of", models.DateField()),
                ("solver_version", models.PositiveSmallIntegerField()),
                ("computed_at", models.DateTimeField()),
            ],
            options={
                "db_table": "figures",
            },
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
                        db_constraint=False, on_delete=models.CASCADE, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "zone",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        on_delete=models.CASCADE,
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
        migrations.CreateModel(
            name="SiteCheck",
            fields=[
                (
                    "site",
                    models.OneToOneField(
                        db_constraint=False,
                        on_delete=models.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="sites.site",
                    ),
                ),
                ("checked_at", models.DateTimeField(null=True)),
                ("as_of", models.DateField(null=True)),
                ("solver_version", models.PositiveSmallIntegerField(null=True)),
                (
                    "not_computed",
                    models.PositiveIntegerField(
                        db_default=0,
                        default=0,
                        help_text="How many things of the site could not be computed.",
                    ),
                ),
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
                tables.row_id(),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.CASCADE, related_name="+", to="sites.site"
                    ),
                ),
                ("at", models.DateTimeField()),
                ("reason", models.CharField(max_length=40)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(fields=("site", "at", "reason"), name="due_date_once")
                ],
                "db_table": "due_date",
                "indexes": [models.Index(fields=["at"], name="due_date_by_time")],
            },
        ),
        migrations.CreateModel(
            name="Case",
            fields=[
                tables.row_id(),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.PROTECT, related_name="cases", to="sites.site"
                    ),
                ),
                ("key", models.CharField(max_length=120, unique=True)),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        help_text="The change that caused it; blank: as found.",
                        null=True,
                        on_delete=models.PROTECT,
                        related_name="cases",
                        to="sites.changeset",
                    ),
                ),
                ("opened_at", models.DateTimeField()),
                ("cleared_at", models.DateTimeField(blank=True, null=True)),
                (
                    "quiet",
                    models.BooleanField(default=False, help_text="Opened by a first import: no event."),
                ),
                ("ticket_reference", models.CharField(blank=True, max_length=120)),
                (
                    "ticket_by",
                    models.CharField(
                        blank=True,
                        db_default="",
                        default="",
                        editable=False,
                        help_text="Who entered the ticket reference.",
                        max_length=150,
                    ),
                ),
                (
                    "notified_at",
                    models.DateTimeField(
                        editable=False,
                        help_text="Time of the first event since the case opened; blank: no event yet.",
                        null=True,
                    ),
                ),
                ("version", models.BigIntegerField(default=1, editable=False)),
            ],
            options={
                "constraints": [tables.of_site("case")],
                "db_table": "case",
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Finding",
            fields=[
                tables.row_id(),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=models.PROTECT,
                        related_name="findings",
                        to="sites.site",
                    ),
                ),
                (
                    "case",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=models.PROTECT,
                        related_name="findings",
                        to="zones.case",
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
                (
                    "notified_excess",
                    models.FloatField(
                        editable=False,
                        help_text="Likely figure less limit when it last opened or changed: from there 5 % of the limit is measured, however many rechecks lie between.",
                        null=True,
                    ),
                ),
                ("detail", models.BigIntegerField(null=True)),
                (
                    "reasons",
                    ArrayField(
                        base_field=models.TextField(),
                        blank=True,
                        default=list,
                        help_text="Codes of why it cannot be computed, where that is the finding; of a whole site the error.",
                        size=None,
                    ),
                ),
                (
                    "attribution",
                    models.JSONField(
                        help_text="What pushed it past its limit: codes, ids and values, which `named_changes` reads."
                    ),
                ),
                (
                    "recomputed",
                    models.BooleanField(
                        db_default=False,
                        default=False,
                        editable=False,
                        help_text="Its last change came from a new formula, not from the record: no event.",
                    ),
                ),
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
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        condition=models.Q(("cleared_at__isnull", True)),
                        fields=("subject_kind", "subject_id", "code"),
                        name="finding_one_open_a_subject_and_limit",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("cleared_at__isnull", False), ("state", "cleared")),
                            models.Q(
                                models.Q(("state", "cleared"), _negated=True), ("cleared_at__isnull", True)
                            ),
                            _connector="OR",
                        ),
                        name="finding_cleared_has_time",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("state", "deferred"), _negated=True),
                            ("deferred_until__isnull", False),
                            _connector="OR",
                        ),
                        name="finding_deferred_until_a_day",
                    ),
                ],
                "db_table": "finding",
                "indexes": [models.Index(fields=["site", "-id"], name="finding_by_site")],
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Takeover",
            fields=[
                (
                    "site",
                    models.OneToOneField(
                        db_constraint=False,
                        on_delete=models.CASCADE,
                        primary_key=True,
                        related_name="+",
                        serialize=False,
                        to="sites.site",
                    ),
                ),
                ("notified_at", models.DateTimeField()),
            ],
            options={
                "db_table": "takeover",
            },
        ),
    ]
