"""Device models, cable types and edited factors."""

import django.contrib.postgres.fields
import django.db.models.deletion
from django.db import migrations, models

import sites.models.dated


class Migration(migrations.Migration):
    dependencies = [
        ("sites", "0005_sites_and_change_sets"),
    ]

    operations = [
        migrations.CreateModel(
            name="Factor",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=80, unique=True)),
                ("value", models.FloatField()),
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
            ],
            options={
                "db_table": "factor",
            },
        ),
        migrations.CreateModel(
            name="CableType",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=80, unique=True)),
                ("gauge_awg", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("pair_count", models.PositiveSmallIntegerField(default=4)),
                (
                    "category",
                    models.BooleanField(
                        default=True, help_text="Category cable: its high resistance is nominal × 1.114."
                    ),
                ),
                ("conductor_rating_a", models.FloatField(blank=True, null=True)),
                ("plenum", models.BooleanField(blank=True, null=True)),
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
            ],
            options={
                "db_table": "cable_type",
                "ordering": ["name", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(
                            ("gauge_awg__isnull", True),
                            models.Q(("gauge_awg__gte", 10), ("gauge_awg__lte", 30)),
                            _connector="OR",
                        ),
                        name="cable_type_gauge_10_to_30",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("conductor_rating_a__isnull", True),
                            ("conductor_rating_a__gt", 0),
                            _connector="OR",
                        ),
                        name="cable_type_rating_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("pair_count__gte", 1)), name="cable_type_has_pairs"
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="DeviceModel",
            fields=[
                (
                    "id",
                    models.BigAutoField(
                        auto_created=True, primary_key=True, serialize=False, verbose_name="ID"
                    ),
                ),
                ("version", models.BigIntegerField(default=1, editable=False)),
                ("name", models.CharField(max_length=120, unique=True)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("ceiling_speaker", "ceiling speaker"),
                            ("wall_speaker", "wall speaker"),
                            ("horn", "horn"),
                            ("gateway", "gateway"),
                            ("network_speaker", "network speaker"),
                            ("network_amplifier", "network amplifier"),
                            ("amplifier", "amplifier"),
                            ("supply", "DC supply"),
                            ("switch", "switch"),
                        ],
                        max_length=20,
                    ),
                ),
                ("idle_current_a", models.FloatField(blank=True, null=True)),
                ("speech_current_a", models.FloatField(blank=True, null=True)),
                ("full_output_current_a", models.FloatField(blank=True, null=True)),
                (
                    "idle_power_w",
                    models.FloatField(
                        blank=True, help_text="Only where the model states watts: constant power.", null=True
                    ),
                ),
                ("full_output_power_w", models.FloatField(blank=True, null=True)),
                ("minimum_voltage_v", models.FloatField(blank=True, null=True)),
                ("input_impedance_ohm", models.FloatField(blank=True, null=True)),
                ("input_sensitivity_v", models.FloatField(blank=True, null=True)),
                (
                    "taps_w",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(), blank=True, default=list, size=None
                    ),
                ),
                ("nominal_impedance_ohm", models.FloatField(blank=True, null=True)),
                ("output_count", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("output_impedance_ohm", models.FloatField(blank=True, null=True)),
                (
                    "output_level_v",
                    models.FloatField(blank=True, help_text="Unloaded output [V RMS].", null=True),
                ),
                ("output_speakers_max", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("poe_class", models.PositiveSmallIntegerField(blank=True, null=True)),
                ("idle_poe_w", models.FloatField(blank=True, null=True)),
                ("paging_poe_w", models.FloatField(blank=True, null=True)),
                ("rated_current_a", models.FloatField(blank=True, null=True)),
                ("no_load_voltage_v", models.FloatField(blank=True, null=True)),
                ("rated_load_voltage_v", models.FloatField(blank=True, null=True)),
                (
                    "voltage_tolerance",
                    models.FloatField(
                        default=0.0, help_text="Fraction the source may lie below its voltage."
                    ),
                ),
                (
                    "lowest_voltage_v",
                    models.FloatField(
                        blank=True, help_text="Battery-backed: its voltage when the battery ends.", null=True
                    ),
                ),
                ("class_2_marked", models.BooleanField(blank=True, null=True)),
                ("rated_power_w", models.FloatField(blank=True, null=True)),
                (
                    "line_voltages_v",
                    django.contrib.postgres.fields.ArrayField(
                        base_field=models.FloatField(), blank=True, default=list, size=None
                    ),
                ),
                ("minimum_impedance_ohm", models.FloatField(blank=True, null=True)),
                ("port_count", models.PositiveSmallIntegerField(blank=True, null=True)),
                (
                    "poe_budget_w",
                    models.FloatField(blank=True, help_text="With all its power supplies.", null=True),
                ),
                (
                    "poe_budget_one_lost_w",
                    models.FloatField(blank=True, help_text="With its largest power supply lost.", null=True),
                ),
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
            ],
            options={
                "db_table": "device_model",
                "ordering": ["name", "id"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("voltage_tolerance__gte", 0), ("voltage_tolerance__lt", 1)),
                        name="device_model_tolerance_fraction",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("poe_class__isnull", True), ("poe_class__lte", 8), _connector="OR"
                        ),
                        name="device_model_poe_class_0_to_8",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("idle_current_a__isnull", True), ("idle_current_a__gte", 0), _connector="OR"
                        ),
                        name="device_model_idle_current_a_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("speech_current_a__isnull", True), ("speech_current_a__gte", 0), _connector="OR"
                        ),
                        name="device_model_speech_current_a_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("full_output_current_a__isnull", True),
                            ("full_output_current_a__gte", 0),
                            _connector="OR",
                        ),
                        name="device_model_full_output_current_a_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("idle_power_w__isnull", True), ("idle_power_w__gte", 0), _connector="OR"
                        ),
                        name="device_model_idle_power_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("full_output_power_w__isnull", True),
                            ("full_output_power_w__gte", 0),
                            _connector="OR",
                        ),
                        name="device_model_full_output_power_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("minimum_voltage_v__isnull", True),
                            ("minimum_voltage_v__gte", 0),
                            _connector="OR",
                        ),
                        name="device_model_minimum_voltage_v_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("idle_poe_w__isnull", True), ("idle_poe_w__gte", 0), _connector="OR"
                        ),
                        name="device_model_idle_poe_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("paging_poe_w__isnull", True), ("paging_poe_w__gte", 0), _connector="OR"
                        ),
                        name="device_model_paging_poe_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("poe_budget_w__isnull", True), ("poe_budget_w__gte", 0), _connector="OR"
                        ),
                        name="device_model_poe_budget_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("poe_budget_one_lost_w__isnull", True),
                            ("poe_budget_one_lost_w__gte", 0),
                            _connector="OR",
                        ),
                        name="device_model_poe_budget_one_lost_w_not_negative",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("input_impedance_ohm__isnull", True),
                            ("input_impedance_ohm__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_input_impedance_ohm_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("input_sensitivity_v__isnull", True),
                            ("input_sensitivity_v__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_input_sensitivity_v_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("nominal_impedance_ohm__isnull", True),
                            ("nominal_impedance_ohm__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_nominal_impedance_ohm_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("output_impedance_ohm__isnull", True),
                            ("output_impedance_ohm__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_output_impedance_ohm_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("output_level_v__isnull", True), ("output_level_v__gt", 0), _connector="OR"
                        ),
                        name="device_model_output_level_v_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("rated_current_a__isnull", True), ("rated_current_a__gt", 0), _connector="OR"
                        ),
                        name="device_model_rated_current_a_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("no_load_voltage_v__isnull", True), ("no_load_voltage_v__gt", 0), _connector="OR"
                        ),
                        name="device_model_no_load_voltage_v_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("rated_load_voltage_v__isnull", True),
                            ("rated_load_voltage_v__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_rated_load_voltage_v_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("lowest_voltage_v__isnull", True), ("lowest_voltage_v__gt", 0), _connector="OR"
                        ),
                        name="device_model_lowest_voltage_v_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("rated_power_w__isnull", True), ("rated_power_w__gt", 0), _connector="OR"
                        ),
                        name="device_model_rated_power_w_positive",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            ("minimum_impedance_ohm__isnull", True),
                            ("minimum_impedance_ohm__gt", 0),
                            _connector="OR",
                        ),
                        name="device_model_minimum_impedance_ohm_positive",
                    ),
                ],
            },
        ),
    ]
