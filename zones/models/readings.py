"""Readings: what an instrument said on a day. Append-only; a correction supersedes."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from sites.models import Recorded


class Reading(Recorded):
    class Kind(models.TextChoices):
        RUN_CURRENT = "run_current", "run current at the block [A]"
        END_VOLTAGE = "end_voltage", "DC voltage at a point [V]"
        POE_POWER = "poe_power", "power of a switch's supply group [W]"

    class State(models.TextChoices):
        IDLE = "idle", "idle"
        PAGING = "paging", "paging"

    kind = models.CharField(max_length=16, choices=Kind.choices)
    state = models.CharField(max_length=8, choices=State.choices)
    run = models.ForeignKey(
        "zones.Run",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="readings",
        db_constraint=False,
    )
    point = models.ForeignKey(
        "zones.Point", on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_constraint=False
    )
    switch = models.ForeignKey(
        "sites.Switch",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="readings",
        db_constraint=False,
    )
    power_group = models.PositiveSmallIntegerField(null=True, blank=True)
    value = models.FloatField(help_text="In the unit of its kind: A, V or W.")
    source_voltage_v = models.FloatField(
        null=True, blank=True, help_text="Measured at the block at the same time."
    )
    taken_on = models.DateField()
    step = models.BigIntegerField(
        help_text="The record as of this step is what was measured: after the day's last."
    )
    technician = models.CharField(max_length=120, blank=True)
    instrument = models.CharField(max_length=120, blank=True)
    calibrated_on = models.DateField(null=True, blank=True)
    supersedes = models.OneToOneField(
        "self",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="superseded_by",
        db_constraint=False,
    )
    note = models.TextField(blank=True)

    class Meta:
        db_table = "reading"
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="reading_of_site"),
            models.CheckConstraint(condition=Q(value__gte=0), name="reading_value_not_negative"),
            models.CheckConstraint(
                condition=Q(kind="run_current", run__isnull=False, switch__isnull=True, point__isnull=True)
                | Q(kind="end_voltage", run__isnull=False, switch__isnull=True, point__isnull=False)
                | Q(kind="poe_power", run__isnull=True, switch__isnull=False, point__isnull=True),
                name="reading_subject_of_its_kind",
            ),
        ]
