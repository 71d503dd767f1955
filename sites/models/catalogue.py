"""The catalogue behind every device: ratings with units, cable types, and the editable factors.

A blank rating is unknown; it never counts as zero. Stated ratings are exact; what a device really draws is
banded by the basis on the device itself.
"""

from __future__ import annotations

from typing import Any

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from .dated import CurrentChangeSet

_RATING: dict[str, Any] = {"null": True, "blank": True}


class Catalogued(models.Model):
    """A row that every site shares. ``change_set`` (of no site) last wrote it; the database counts
    ``version``."""

    change_set = models.ForeignKey(
        "sites.ChangeSet",
        on_delete=models.PROTECT,
        related_name="+",
        db_constraint=False,
        db_index=False,
        db_default=CurrentChangeSet(),
        editable=False,
    )
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        abstract = True


class DeviceModel(Catalogued):
    class Kind(models.TextChoices):
        CEILING_SPEAKER = "ceiling_speaker", "ceiling speaker"
        WALL_SPEAKER = "wall_speaker", "wall speaker"
        HORN = "horn", "horn"
        GATEWAY = "gateway", "gateway"
        NETWORK_SPEAKER = "network_speaker", "network speaker"
        NETWORK_AMPLIFIER = "network_amplifier", "network amplifier"
        AMPLIFIER = "amplifier", "amplifier"
        SUPPLY = "supply", "DC supply"
        SWITCH = "switch", "switch"

    name = models.CharField(max_length=120, unique=True)
    kind = models.CharField(max_length=20, choices=Kind.choices)
    # self-amplified speakers and horns, at 24 V DC
    idle_current_a = models.FloatField(**_RATING)
    speech_current_a = models.FloatField(**_RATING)
    full_output_current_a = models.FloatField(**_RATING)
    idle_power_w = models.FloatField(
        **_RATING, help_text="Only where the model states watts: constant power."
    )
    full_output_power_w = models.FloatField(**_RATING)
    minimum_voltage_v = models.FloatField(**_RATING)
    input_impedance_ohm = models.FloatField(**_RATING)
    input_sensitivity_v = models.FloatField(**_RATING)
    # speakers on lines
    taps_w = ArrayField(models.FloatField(), default=list, blank=True)
    nominal_impedance_ohm = models.FloatField(**_RATING)
    # networked endpoints
    output_count = models.PositiveSmallIntegerField(null=True, blank=True)
    output_impedance_ohm = models.FloatField(**_RATING)
    output_level_v = models.FloatField(**_RATING, help_text="Unloaded output [V RMS].")
    output_speakers_max = models.PositiveSmallIntegerField(null=True, blank=True)
    poe_class = models.PositiveSmallIntegerField(null=True, blank=True)
    idle_poe_w = models.FloatField(**_RATING)
    paging_poe_w = models.FloatField(**_RATING)
    # sources
    rated_current_a = models.FloatField(**_RATING)
    no_load_voltage_v = models.FloatField(**_RATING)
    rated_load_voltage_v = models.FloatField(**_RATING)
    voltage_tolerance = models.FloatField(
        default=0.0, help_text="Fraction the source may lie below its voltage."
    )
    lowest_voltage_v = models.FloatField(
        **_RATING, help_text="Battery-backed: its voltage when the battery ends."
    )
    class_2_marked = models.BooleanField(null=True, blank=True)
    rated_power_w = models.FloatField(**_RATING)
    line_voltages_v = ArrayField(models.FloatField(), default=list, blank=True)
    minimum_impedance_ohm = models.FloatField(**_RATING)
    # switches
    port_count = models.PositiveSmallIntegerField(null=True, blank=True)
    poe_budget_w = models.FloatField(**_RATING, help_text="With all its power supplies.")
    poe_budget_one_lost_w = models.FloatField(**_RATING, help_text="With its largest power supply lost.")
    note = models.TextField(blank=True)

    class Meta:
        db_table = "device_model"
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(voltage_tolerance__gte=0, voltage_tolerance__lt=1),
                name="device_model_tolerance_fraction",
            ),
            models.CheckConstraint(
                condition=Q(poe_class__isnull=True) | Q(poe_class__lte=8),
                name="device_model_poe_class_0_to_8",
            ),
            *[
                models.CheckConstraint(
                    condition=Q(**{f"{name}__isnull": True}) | Q(**{f"{name}__gte": 0}),
                    name=f"device_model_{name}_not_negative",
                )
                for name in (
                    "idle_current_a",
                    "speech_current_a",
                    "full_output_current_a",
                    "idle_power_w",
                    "full_output_power_w",
                    "minimum_voltage_v",
                    "idle_poe_w",
                    "paging_poe_w",
                    "poe_budget_w",
                    "poe_budget_one_lost_w",
                )
            ],
            *[
                models.CheckConstraint(
                    condition=Q(**{f"{name}__isnull": True}) | Q(**{f"{name}__gt": 0}),
                    name=f"device_model_{name}_positive",
                )
                for name in (
                    "input_impedance_ohm",
                    "input_sensitivity_v",
                    "nominal_impedance_ohm",
                    "output_impedance_ohm",
                    "output_level_v",
                    "rated_current_a",
                    "no_load_voltage_v",
                    "rated_load_voltage_v",
                    "lowest_voltage_v",
                    "rated_power_w",
                    "minimum_impedance_ohm",
                )
            ],
        ]

    def __str__(self) -> str:
        return self.name


class CableType(Catalogued):
    name = models.CharField(max_length=80, unique=True)
    gauge_awg = models.PositiveSmallIntegerField(null=True, blank=True)
    pair_count = models.PositiveSmallIntegerField(default=4)
    category = models.BooleanField(
        default=True, help_text="Category cable: its high resistance is nominal × 1.114."
    )
    conductor_rating_a = models.FloatField(null=True, blank=True)
    plenum = models.BooleanField(null=True, blank=True)

    class Meta:
        db_table = "cable_type"
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(gauge_awg__isnull=True) | Q(gauge_awg__gte=10, gauge_awg__lte=30),
                name="cable_type_gauge_10_to_30",
            ),
            models.CheckConstraint(
                condition=Q(conductor_rating_a__isnull=True) | Q(conductor_rating_a__gt=0),
                name="cable_type_rating_positive",
            ),
            models.CheckConstraint(condition=Q(pair_count__gte=1), name="cable_type_has_pairs"),
        ]

    def __str__(self) -> str:
        return self.name


class Factor(Catalogued):
    """An editable factor (band, loading fraction, threshold) that differs from the default in
    ``zones.electrical.bands``; editing one is a correction of every site, in the bulk lane."""

    name = models.CharField(max_length=80, unique=True)
    value = models.FloatField()

    class Meta:
        db_table = "factor"
