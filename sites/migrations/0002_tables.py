"""Who may do what, whom we work for, what stands where, and the record of every change."""

# ruff: noqa: E501 - as generated
from __future__ import annotations

from datetime import date

from django.conf import settings
from django.contrib.auth.models import UserManager
from django.contrib.auth.validators import UnicodeUsernameValidator
from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import ArrayField, DateRangeField
from django.core.serializers.json import DjangoJSONEncoder
from django.db import migrations, models
from django.db.models.functions import Lower, Now
from django.utils.timezone import now
from psycopg.types.range import Range

from sites import fields
from sites.changes.sql_v1 import tables


class Migration(migrations.Migration):
    dependencies = [("auth", "0012_alter_user_first_name_max_length"), ("sites", "0001_functions")]
    operations = [
        migrations.CreateModel(
            name="User",
            fields=[
                tables.row_id(),
                ("password", models.CharField(max_length=128, verbose_name="password")),
                ("last_login", models.DateTimeField(blank=True, null=True, verbose_name="last login")),
                (
                    "is_superuser",
                    models.BooleanField(
                        default=False,
                        help_text="Designates that this user has all permissions without explicitly assigning them.",
                        verbose_name="superuser status",
                    ),
                ),
                (
                    "username",
                    models.CharField(
                        error_messages={"unique": "A user with that username already exists."},
                        help_text="Required. 150 characters or fewer. Letters, digits and @/./+/-/_ only.",
                        max_length=150,
                        unique=True,
                        validators=[UnicodeUsernameValidator()],
                        verbose_name="username",
                    ),
                ),
                ("first_name", models.CharField(blank=True, max_length=150, verbose_name="first name")),
                ("last_name", models.CharField(blank=True, max_length=150, verbose_name="last name")),
                ("email", models.EmailField(blank=True, max_length=254, verbose_name="email address")),
                (
                    "is_staff",
                    models.BooleanField(
                        default=False,
                        help_text="Designates whether the user can log into this admin site.",
                        verbose_name="staff status",
                    ),
                ),
                (
                    "is_active",
                    models.BooleanField(
                        default=True,
                        help_text="Designates whether this user should be treated as active. Unselect this instead of deleting accounts.",
                        verbose_name="active",
                    ),
                ),
                ("date_joined", models.DateTimeField(default=now, verbose_name="date joined")),
                (
                    "role",
                    models.CharField(
                        choices=[
                            ("manager", "manager"),
                            ("dispatcher", "dispatcher"),
                            ("technician", "technician"),
                            ("reader", "reader"),
                        ],
                        default="reader",
                        max_length=12,
                    ),
                ),
                (
                    "all_customers",
                    models.BooleanField(
                        default=False, help_text="Granted every customer, those to come included."
                    ),
                ),
                (
                    "groups",
                    models.ManyToManyField(
                        blank=True,
                        help_text="The groups this user belongs to. A user will get all permissions granted to each of their groups.",
                        related_name="user_set",
                        related_query_name="user",
                        to="auth.group",
                        verbose_name="groups",
                    ),
                ),
                (
                    "user_permissions",
                    models.ManyToManyField(
                        blank=True,
                        help_text="Specific permissions for this user.",
                        related_name="user_set",
                        related_query_name="user",
                        to="auth.permission",
                        verbose_name="user permissions",
                    ),
                ),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("all_customers", True), ("role", "reader"), _negated=True),
                        name="user_reader_has_own_customers_only",
                    )
                ],
                "db_table": "account",
            },
            managers=[("objects", UserManager())],
        ),
        migrations.CreateModel(
            name="Customer",
            fields=[
                tables.row_id(),
                ("name", fields.NameField(max_length=200)),
                ("code", fields.CodeField(max_length=40, unique=True)),
                ("note", fields.NoteField(max_length=4000)),
                ("version", models.BigIntegerField(default=1, editable=False)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(Lower("name"), name="customer_name_once"),
                    models.UniqueConstraint(Lower("code"), name="customer_code_once"),
                ],
                "db_table": "customer",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="ChangeSet",
            fields=[
                tables.row_id(),
                (
                    "state",
                    fields.WordField(["draft", "accepted", "withdrawn"], default="draft", max_length=10),
                ),
                ("kind", fields.WordField(["work", "correction", "takeover"], default="work", max_length=12)),
                (
                    "purpose",
                    fields.WordField(
                        ["record", "what_if", "plan", "redline"], default="record", max_length=10
                    ),
                ),
                ("channel", fields.WordField(["rest", "page", "import", "command", "sql"], max_length=10)),
                (
                    "user",
                    models.ForeignKey(
                        blank=True,
                        null=True,
                        on_delete=models.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("actor", fields.LineField(max_length=150)),
                (
                    "accepted_by",
                    models.ForeignKey(
                        blank=True,
                        help_text="Who made a draft the record, where that is not who drew it up.",
                        null=True,
                        on_delete=models.PROTECT,
                        related_name="+",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                ("reason", fields.NoteField(blank=False, max_length=2000)),
                ("job_reference", fields.LineField(blank=True, max_length=80)),
                ("happened_on", fields.DayField(blank=True, null=True)),
                ("planned", fields.FlagField(db_default=False, default=False)),
                (
                    "quiet",
                    models.BooleanField(
                        default=False, help_text="First import of a site: findings open without events."
                    ),
                ),
                ("operations", models.JSONField(default=list, encoder=DjangoJSONEncoder)),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("recorded_at", fields.GivenMomentField(blank=True, editable=False, null=True)),
                ("step", fields.StepField(null=True)),
                ("transaction_id", models.BigIntegerField(blank=True, editable=False, null=True)),
                ("version", models.BigIntegerField(default=1, editable=False)),
            ],
            options={
                "db_table": "change_set",
                "ordering": ["-id"],
            },
        ),
        migrations.CreateModel(
            name="Site",
            fields=[
                tables.row_id(),
                (
                    "customer",
                    models.ForeignKey(on_delete=models.PROTECT, related_name="sites", to="sites.customer"),
                ),
                ("code", fields.CodeField(max_length=60, unique=True)),
                ("name", fields.NameField(max_length=200)),
                ("address", fields.NoteField(max_length=500)),
                ("city", fields.LineField(blank=True, max_length=120)),
                ("postal_code", fields.LineField(blank=True, max_length=20)),
                ("time_zone", fields.TimeZoneField(default="UTC", max_length=64)),
                ("length_unit", fields.WordField(["m", "ft"], default="m", max_length=2)),
                (
                    "design_temperature_c",
                    fields.QuantityField(default=20.0, maximum=90, minimum=-60, unit="°C"),
                ),
                ("surveyed_on", fields.DayField(blank=True, null=True)),
                ("out_of_hours_phone", fields.LineField(blank=True, max_length=60)),
                ("induction", fields.NoteField(max_length=4000)),
                ("permits", fields.NoteField(max_length=4000)),
                ("dangers", fields.NoteField(max_length=4000)),
                ("note", fields.NoteField(max_length=4000)),
                ("change_set", fields.WriterKey("sites.changeset")),
            ],
            options={
                "constraints": [models.UniqueConstraint(Lower("code"), name="site_code_once")],
                "db_table": "site",
                "ordering": ["name", "id"],
            },
        ),
        migrations.AddField(
            "ChangeSet",
            "site",
            models.ForeignKey(
                blank=True, null=True, on_delete=models.PROTECT, related_name="change_sets", to="sites.site"
            ),
        ),
        migrations.AddConstraint(
            "ChangeSet", models.UniqueConstraint(fields=("site", "step"), name="change_set_step_once_a_site")
        ),
        migrations.AddConstraint("ChangeSet", tables.of_site("change_set")),
        migrations.AddConstraint(
            "ChangeSet",
            models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "accepted"), _negated=True),
                    models.Q(("happened_on__isnull", False), ("recorded_at__isnull", False)),
                    _connector="OR",
                ),
                name="change_set_accepted_has_day",
            ),
        ),
        migrations.AddConstraint(
            "ChangeSet",
            models.CheckConstraint(
                condition=models.Q(
                    models.Q(("state", "accepted"), _negated=True),
                    ("site__isnull", True),
                    ("step__isnull", False),
                    _connector="OR",
                ),
                name="change_set_accepted_has_step",
            ),
        ),
        migrations.CreateModel(
            name="Grant",
            fields=[
                tables.row_id(),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=models.CASCADE, related_name="grants", to=settings.AUTH_USER_MODEL
                    ),
                ),
                (
                    "customer",
                    models.ForeignKey(on_delete=models.CASCADE, related_name="grants", to="sites.customer"),
                ),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("user", "customer"), name="grant_once")],
                "db_table": "customer_grant",
            },
        ),
        migrations.CreateModel(
            name="Token",
            fields=[
                tables.row_id(),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=models.CASCADE, related_name="tokens", to=settings.AUTH_USER_MODEL
                    ),
                ),
                ("name", models.CharField(blank=True, max_length=120)),
                ("digest", models.CharField(editable=False, max_length=64, unique=True)),
                ("scopes", ArrayField(base_field=models.CharField(max_length=40), size=None)),
                (
                    "narrowed",
                    models.BooleanField(
                        default=False, help_text="True: only the listed customers, even when none is left."
                    ),
                ),
                ("created_at", models.DateTimeField(auto_now_add=True)),
                ("last_used_at", models.DateTimeField(blank=True, null=True)),
                ("expires_at", models.DateTimeField(blank=True, null=True)),
                ("revoked_at", models.DateTimeField(blank=True, null=True)),
                (
                    "customers",
                    models.ManyToManyField(
                        blank=True,
                        db_table="token_customer",
                        help_text="Narrows the user's grants; none: all of them.",
                        to="sites.customer",
                    ),
                ),
            ],
            options={
                "db_table": "token",
            },
        ),
        migrations.CreateModel(
            name="Contract",
            fields=[
                tables.row_id(),
                (
                    "customer",
                    models.ForeignKey(
                        on_delete=models.PROTECT, related_name="contracts", to="sites.customer"
                    ),
                ),
                ("reference", fields.NameField(max_length=80)),
                tables.whole("response_hours", "h", minimum=0, maximum=8760),
                tables.whole("test_interval_months", "months", minimum=1, maximum=240),
                ("event_when_probable", fields.FlagField(default=True)),
                ("note", fields.NoteField(max_length=4000)),
                ("version", models.BigIntegerField(default=1, editable=False)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        models.F("customer"), Lower("reference"), name="contract_reference_once_a_customer"
                    )
                ],
                "db_table": "contract",
                "ordering": ["reference", "id"],
            },
        ),
        migrations.CreateModel(
            name="Coverage",
            fields=[
                tables.row_id(),
                (
                    "contract",
                    models.ForeignKey(
                        on_delete=models.PROTECT, related_name="coverages", to="sites.contract"
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(on_delete=models.PROTECT, related_name="coverages", to="sites.site"),
                ),
                ("days", DateRangeField()),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("days__isempty", False)), name="coverage_has_days"
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("days__contained_by", Range(date(1970, 1, 1), date(2200, 12, 31), "[)")),
                            models.Q(
                                ("days__startswith__gte", date(1970, 1, 1)),
                                ("days__upper_inf", True),
                                ("days__startswith__lte", date(2200, 12, 31)),
                            ),
                            _connector="OR",
                        ),
                        name="coverage_days_within_range",
                    ),
                    ExclusionConstraint(
                        expressions=[(models.F("site"), "="), (models.F("days"), "&&")],
                        name="coverage_one_contract_a_site_at_a_time",
                    ),
                ],
                "db_table": "coverage",
            },
        ),
        migrations.CreateModel(
            name="DeviceModel",
            fields=[
                tables.row_id(),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", fields.NameField(max_length=120)),
                (
                    "kind",
                    fields.WordField(
                        [
                            "ceiling_speaker",
                            "wall_speaker",
                            "horn",
                            "gateway",
                            "network_speaker",
                            "network_amplifier",
                            "amplifier",
                            "supply",
                            "switch",
                        ],
                        max_length=20,
                    ),
                ),
                tables.quantity("idle_current_a", "A", minimum=0, maximum=20),
                tables.quantity("speech_current_a", "A", minimum=0, maximum=20),
                tables.quantity("full_output_current_a", "A", minimum=0, maximum=20),
                tables.quantity("idle_power_w", "W", minimum=0, maximum=500),
                tables.quantity("full_output_power_w", "W", minimum=0, maximum=500),
                tables.quantity("minimum_voltage_v", "V", minimum=0, maximum=120),
                tables.quantity("input_impedance_ohm", "Ω", above=0, maximum=10000000),
                tables.quantity("input_sensitivity_v", "V", above=0, maximum=200),
                (
                    "taps_w",
                    fields.ListField(
                        base_field=fields.QuantityField(above=0, maximum=500, unit="W"),
                        blank=True,
                        default=list,
                        max_items=20,
                        size=None,
                    ),
                ),
                tables.quantity("nominal_impedance_ohm", "Ω", above=0, maximum=100000),
                tables.whole("output_count", minimum=0, maximum=64),
                tables.quantity("output_impedance_ohm", "Ω", above=0, maximum=1000000),
                tables.quantity("output_level_v", "V", above=0, maximum=200),
                tables.whole("output_speakers_max", minimum=0, maximum=1000),
                tables.whole("poe_class", minimum=0, maximum=8),
                tables.quantity("idle_poe_w", "W", minimum=0, maximum=100),
                tables.quantity("paging_poe_w", "W", minimum=0, maximum=100),
                tables.quantity("rated_current_a", "A", above=0, maximum=1000),
                tables.quantity("no_load_voltage_v", "V", above=0, maximum=120),
                tables.quantity("rated_load_voltage_v", "V", above=0, maximum=120),
                ("voltage_tolerance", fields.QuantityField(default=0.0, maximum=0.5, minimum=0)),
                tables.quantity("lowest_voltage_v", "V", above=0, maximum=120),
                ("class_2_marked", fields.FlagField(blank=True, null=True)),
                tables.quantity("rated_power_w", "W", above=0, maximum=10000),
                (
                    "line_voltages_v",
                    fields.ListField(
                        base_field=fields.QuantityField(above=0, maximum=250, unit="V"),
                        blank=True,
                        default=list,
                        max_items=20,
                        size=None,
                    ),
                ),
                tables.quantity("minimum_impedance_ohm", "Ω", above=0, maximum=100000),
                tables.whole("port_count", minimum=0, maximum=512),
                tables.whole("port_type", minimum=1, maximum=4),
                tables.whole("power_supplies_max", minimum=1, maximum=16),
                tables.quantity("poe_budget_w", "W", minimum=0, maximum=10000),
                tables.quantity("poe_budget_one_lost_w", "W", minimum=0, maximum=10000),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [models.UniqueConstraint(Lower("name"), name="device_model_name_once")],
                "db_table": "device_model",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="CableType",
            fields=[
                tables.row_id(),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", fields.NameField(max_length=80)),
                tables.whole("gauge_awg", "AWG", minimum=10, maximum=30),
                ("pair_count", fields.WholeField(default=4, maximum=100, minimum=1)),
                ("category", fields.FlagField(default=True)),
                tables.quantity("conductor_rating_a", "A", above=0, maximum=100),
                ("plenum", fields.FlagField(blank=True, null=True)),
            ],
            options={
                "constraints": [models.UniqueConstraint(Lower("name"), name="cable_type_name_once")],
                "db_table": "cable_type",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Factor",
            fields=[
                tables.row_id(),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", fields.NameField(max_length=80)),
                ("value", fields.QuantityField(maximum=10000, minimum=0)),
            ],
            options={
                "constraints": [models.UniqueConstraint(fields=("name",), name="factor_name_once")],
                "db_table": "factor",
            },
        ),
        migrations.CreateModel(
            name="Closet",
            fields=[
                *tables.placed(),
                ("name", fields.NameField(max_length=80)),
                ("building", fields.LineField(blank=True, max_length=120)),
                ("floor", fields.LineField(blank=True, max_length=60)),
                ("room", fields.LineField(blank=True, max_length=120)),
                ("directions", fields.NoteField(max_length=4000)),
                ("opened_by", fields.NoteField(max_length=4000)),
                ("opening_hours", fields.LineField(blank=True, max_length=120)),
                ("key_location", fields.LineField(blank=True, max_length=200)),
                ("escort", fields.NoteField(max_length=4000)),
                ("induction", fields.NoteField(max_length=4000)),
                ("permits", fields.NoteField(max_length=4000)),
                ("protective_equipment", fields.NoteField(max_length=4000)),
                ("other_tenants", fields.NoteField(max_length=4000)),
                ("dangers", fields.NoteField(max_length=4000)),
                tables.quantity("ladder_m", "m", minimum=0, maximum=100),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("closet"),
                    tables.name_once("closet"),
                ],
                "db_table": "closet",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Contact",
            fields=[
                tables.row_id(),
                ("site", fields.OfSite("sites.site")),
                ("change_set", fields.WriterKey("sites.changeset")),
                ("closet", fields.SiteKey("sites.closet", null=True, related_name="contacts")),
                ("role", fields.WordField(["site", "out_of_hours", "network", "key_holder"], max_length=20)),
                ("name", fields.NameField(max_length=120)),
                ("phone", fields.LineField(blank=True, max_length=60)),
                ("email", fields.EmailField(blank=True, max_length=254)),
                ("hours", fields.LineField(blank=True, max_length=120)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(
                        models.F("site"), models.F("role"), Lower("name"), name="contact_once_a_role"
                    )
                ],
                "db_table": "contact",
                "ordering": ["role", "name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Secret",
            fields=[
                tables.row_id(),
                ("site", models.ForeignKey(on_delete=models.PROTECT, related_name="+", to="sites.site")),
                ("closet", fields.SiteKey("sites.closet", null=True, related_name="secrets")),
                ("kind", fields.WordField(["door", "alarm", "other"], max_length=10)),
                ("label", fields.NameField(max_length=80)),
                ("ciphertext", models.BinaryField()),
                (
                    "written_by",
                    models.ForeignKey(
                        on_delete=models.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
                    ),
                ),
                ("written_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "constraints": [
                    models.UniqueConstraint(models.F("site"), Lower("label"), name="secret_label_once_a_site")
                ],
                "db_table": "secret",
            },
        ),
        migrations.CreateModel(
            name="SecretReveal",
            fields=[
                tables.row_id(),
                (
                    "secret",
                    models.ForeignKey(on_delete=models.PROTECT, related_name="reveals", to="sites.secret"),
                ),
                (
                    "user",
                    models.ForeignKey(
                        on_delete=models.PROTECT, related_name="+", to=settings.AUTH_USER_MODEL
                    ),
                ),
                ("reason", fields.NoteField(blank=False, max_length=2000)),
                ("revealed_at", models.DateTimeField(auto_now_add=True)),
            ],
            options={
                "db_table": "secret_reveal",
            },
        ),
        migrations.CreateModel(
            name="Block",
            fields=[
                *tables.placed(),
                ("closet", fields.SiteKey("sites.closet", related_name="blocks")),
                ("name", fields.NameField(max_length=80)),
                ("kind", fields.WordField(["66_split", "66_unsplit", "110", "screw"], max_length=12)),
                ("row_count", fields.WholeField(default=50, maximum=400, minimum=1)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("block"),
                    tables.name_once("block"),
                ],
                "db_table": "block",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="Supply",
            fields=[
                *tables.placed(),
                ("closet", fields.SiteKey("sites.closet", related_name="supplies")),
                ("name", fields.NameField(max_length=80)),
                ("outlet", fields.LineField(blank=True, max_length=120)),
                ("breaker", fields.LineField(blank=True, max_length=120)),
                ("ups", fields.LineField(blank=True, max_length=120)),
                ("battery_installed_on", fields.DayField(blank=True, null=True)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("supply"),
                    tables.name_once("supply"),
                ],
                "db_table": "supply",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="SupplyFacts",
            fields=[
                *tables.dated("supply_id"),
                ("supply", fields.SiteKey("sites.supply", db_index=False, related_name="facts")),
                ("model", fields.SharedKey("sites.devicemodel", null=True)),
            ],
            options={
                "db_table": "supply_facts",
            },
        ),
        migrations.CreateModel(
            name="Amplifier",
            fields=[
                *tables.placed(),
                ("closet", fields.SiteKey("sites.closet", related_name="amplifiers")),
                ("name", fields.NameField(max_length=80)),
                ("outlet", fields.LineField(blank=True, max_length=120)),
                ("breaker", fields.LineField(blank=True, max_length=120)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("amplifier"),
                    tables.name_once("amplifier"),
                ],
                "db_table": "amplifier",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="AmplifierFacts",
            fields=[
                *tables.dated("amplifier_id"),
                ("amplifier", fields.SiteKey("sites.amplifier", db_index=False, related_name="facts")),
                ("model", fields.SharedKey("sites.devicemodel", null=True)),
                tables.quantity("line_voltage_v", "V", above=0, maximum=250),
            ],
            options={
                "db_table": "amplifier_facts",
            },
        ),
        migrations.CreateModel(
            name="Switch",
            fields=[
                *tables.placed(),
                ("closet", fields.SiteKey("sites.closet", related_name="switches")),
                ("name", fields.NameField(max_length=80)),
                (
                    "owner",
                    fields.WordField(["integrator", "customer", "unknown"], default="unknown", max_length=12),
                ),
                ("serial", fields.LineField(blank=True, max_length=80)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("switch"),
                    tables.name_once("switch"),
                ],
                "db_table": "switch",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="SwitchFacts",
            fields=[
                *tables.dated("switch_id"),
                ("switch", fields.SiteKey("sites.switch", db_index=False, related_name="facts")),
                ("model", fields.SharedKey("sites.devicemodel", null=True)),
                tables.whole("power_supply_count", minimum=1, maximum=16),
                tables.quantity("usage_threshold", minimum=0.01, maximum=0.99),
            ],
            options={
                "db_table": "switch_facts",
            },
        ),
        migrations.CreateModel(
            name="SwitchPort",
            fields=[
                *tables.placed(),
                ("switch", fields.SiteKey("sites.switch", related_name="ports")),
                ("number", fields.WholeField(maximum=512, minimum=1)),
            ],
            options={
                "constraints": [
                    tables.of_site("switch_port"),
                    tables.standing_once("switch", models.F("number"), "switch_port_number_once_a_switch"),
                ],
                "db_table": "switch_port",
                "ordering": ["switch_id", "number"],
            },
        ),
        migrations.CreateModel(
            name="SwitchPortFacts",
            fields=[
                *tables.dated("port_id"),
                ("port", fields.SiteKey("sites.switchport", db_index=False, related_name="facts")),
                ("priority", fields.WordField(["critical", "high", "low"], default="low", max_length=10)),
                tables.whole("port_type", minimum=1, maximum=4),
                ("other_load", fields.LineField(blank=True, max_length=120)),
                tables.whole("other_load_class", minimum=0, maximum=8),
                tables.quantity("other_load_power_w", "W", minimum=0, maximum=100),
            ],
            options={
                "db_table": "switch_port_facts",
            },
        ),
        migrations.CreateModel(
            name="Endpoint",
            fields=[
                *tables.placed(),
                ("closet", fields.SiteKey("sites.closet", null=True, related_name="endpoints")),
                ("name", fields.NameField(max_length=80)),
                ("place", fields.LineField(blank=True, max_length=200)),
                ("serial", fields.LineField(blank=True, max_length=80)),
                ("mac", fields.MacField(blank=True, max_length=17)),
                ("firmware", fields.LineField(blank=True, max_length=60)),
                ("configuration_backup", fields.LineField(blank=True, max_length=200)),
                ("warranty_end", fields.DayField(blank=True, null=True)),
                ("note", fields.NoteField(max_length=4000)),
            ],
            options={
                "constraints": [
                    tables.of_site("endpoint"),
                    tables.name_once("endpoint"),
                ],
                "db_table": "endpoint",
                "ordering": ["name", "id"],
            },
        ),
        migrations.CreateModel(
            name="EndpointFacts",
            fields=[
                *tables.dated("endpoint_id"),
                ("endpoint", fields.SiteKey("sites.endpoint", db_index=False, related_name="facts")),
                ("model", fields.SharedKey("sites.devicemodel", null=True)),
                (
                    "power_source",
                    fields.WordField(
                        ["port", "injector", "adapter", "mains", "unknown"], default="unknown", max_length=10
                    ),
                ),
                ("port", fields.SiteKey("sites.switchport", null=True)),
                tables.whole("negotiated_class", minimum=0, maximum=8),
                tables.quantity("negotiated_power_w", "W", minimum=0, maximum=100),
                tables.quantity("cable_length_m", "m", minimum=0, maximum=10000),
                tables.basis("cable_length_basis"),
                ("cable_type", fields.SharedKey("sites.cabletype", null=True)),
                ("address", fields.AddressField(blank=True, null=True)),
                tables.whole("vlan", minimum=1, maximum=4094),
                ("multicast_group", fields.AddressField(blank=True, null=True)),
                ("page_code", fields.LineField(blank=True, max_length=20)),
            ],
            options={
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("cable_length_basis", 0), ("cable_length_m__isnull", True)),
                            models.Q(("cable_length_basis__gt", 0), ("cable_length_m__isnull", False)),
                            _connector="OR",
                        ),
                        name="endpoint_facts_length_and_basis",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("port__isnull", True), ("power_source", "port"), _connector="OR"),
                        name="endpoint_facts_port_means_power_from_it",
                    ),
                ],
                "db_table": "endpoint_facts",
            },
        ),
        migrations.CreateModel(
            name="Output",
            fields=[
                *tables.placed(),
                ("endpoint", fields.SiteKey("sites.endpoint", related_name="outputs")),
                ("number", fields.WholeField(maximum=64, minimum=1)),
                (
                    "terminal",
                    fields.WordField(["screw", "jack", "unknown"], default="unknown", max_length=10),
                ),
            ],
            options={
                "constraints": [
                    tables.of_site("output"),
                    tables.standing_once("endpoint", models.F("number"), "output_number_once_an_endpoint"),
                ],
                "db_table": "output",
                "ordering": ["endpoint_id", "number"],
            },
        ),
        migrations.CreateModel(
            name="Change",
            fields=[
                tables.row_id(),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        on_delete=models.PROTECT,
                        related_name="changes",
                        to="sites.changeset",
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False,
                        null=True,
                        on_delete=models.PROTECT,
                        related_name="+",
                        to="sites.site",
                    ),
                ),
                ("table_name", models.CharField(max_length=63)),
                ("operation", models.CharField(max_length=6)),
                ("row_count", models.IntegerField()),
                ("old_rows", models.JSONField(null=True)),
                ("new_rows", models.JSONField(null=True)),
                ("at", models.DateTimeField(db_default=Now())),
            ],
            options={
                "db_table": "change",
                "indexes": [models.Index(fields=["site", "-id"], name="change_by_site")],
            },
        ),
        migrations.CreateModel(
            name="Mark",
            fields=[
                tables.row_id(),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.CASCADE, related_name="+", to="sites.site"
                    ),
                ),
                (
                    "change_set",
                    models.ForeignKey(
                        db_constraint=False,
                        db_index=False,
                        null=True,
                        on_delete=models.CASCADE,
                        related_name="+",
                        to="sites.changeset",
                    ),
                ),
                (
                    "lane",
                    models.PositiveSmallIntegerField(
                        choices=[(0, "interactive"), (1, "bulk"), (2, "set aside")], default=0
                    ),
                ),
                ("reason", models.CharField(default="record changed", max_length=40)),
                ("made_at", models.DateTimeField(db_default=Now())),
            ],
            options={
                "db_table": "mark",
                "indexes": [models.Index(fields=["lane", "site"], name="mark_by_lane_and_site")],
            },
        ),
        migrations.CreateModel(
            name="Event",
            fields=[
                tables.row_id(),
                ("kind", models.CharField(max_length=60)),
                (
                    "customer",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.PROTECT, related_name="+", to="sites.customer"
                    ),
                ),
                (
                    "site",
                    models.ForeignKey(
                        db_constraint=False, on_delete=models.PROTECT, related_name="+", to="sites.site"
                    ),
                ),
                ("subject", models.CharField(help_text="Resource path, such as cases/41.", max_length=200)),
                ("case_key", models.CharField(blank=True, max_length=120)),
                ("body", models.JSONField(encoder=DjangoJSONEncoder)),
                ("happened_at", models.DateTimeField()),
                ("sequence", models.BigIntegerField(editable=False, null=True, unique=True)),
            ],
            options={
                "db_table": "event",
                "indexes": [
                    models.Index(
                        condition=models.Q(("sequence__isnull", True)),
                        fields=["id"],
                        name="event_unpublished",
                    )
                ],
            },
        ),
    ]
