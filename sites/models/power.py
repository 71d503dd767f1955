"""What feeds the speakers: DC supplies and amplifiers, with dated facts."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from .dated import DatedFacts, Placed


class Supply(Placed):
    """A separate DC source for self-amplified speakers; the positive is grounded in this trade."""

    closet = models.ForeignKey(
        "sites.Closet", on_delete=models.PROTECT, related_name="supplies", db_constraint=False
    )
    name = models.CharField(max_length=80)
    outlet = models.CharField(max_length=120, blank=True)
    breaker = models.CharField(max_length=120, blank=True)
    ups = models.CharField(max_length=120, blank=True)
    battery_installed_on = models.DateField(null=True, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "supply"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="supply_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="supply_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class SupplyFacts(DatedFacts):
    pk = models.CompositePrimaryKey("supply_id", "step")
    supply = models.ForeignKey(
        Supply, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    model = models.ForeignKey(
        "sites.DeviceModel",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="Blank: unknown, so nothing it feeds can be judged.",
    )

    class Meta:
        db_table = "supply_facts"


class Amplifier(Placed):
    """Drives a constant-voltage line (25, 70.7, 100 V) or a low-impedance one."""

    closet = models.ForeignKey(
        "sites.Closet", on_delete=models.PROTECT, related_name="amplifiers", db_constraint=False
    )
    name = models.CharField(max_length=80)
    outlet = models.CharField(max_length=120, blank=True)
    breaker = models.CharField(max_length=120, blank=True)
    note = models.TextField(blank=True)

    class Meta:
        db_table = "amplifier"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="amplifier_of_site"),
            models.UniqueConstraint(
                fields=["site", "name"], condition=Q(end_step__isnull=True), name="amplifier_name_once_a_site"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class AmplifierFacts(DatedFacts):
    pk = models.CompositePrimaryKey("amplifier_id", "step")
    amplifier = models.ForeignKey(
        Amplifier, on_delete=models.PROTECT, related_name="facts", db_constraint=False, db_index=False
    )
    model = models.ForeignKey(
        "sites.DeviceModel", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    line_voltage_v = models.FloatField(
        null=True,
        blank=True,
        help_text="25, 70.7 or 100 for a constant-voltage line; blank for low impedance.",
    )

    class Meta:
        db_table = "amplifier_facts"
        constraints = [
            models.CheckConstraint(
                condition=Q(line_voltage_v__isnull=True) | Q(line_voltage_v__gt=0),
                name="amplifier_facts_line_voltage_positive",
            ),
        ]
