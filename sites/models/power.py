"""What feeds the speakers: DC supplies and amplifiers, with dated facts."""

from __future__ import annotations

from django.db import models

from sites import fields

from .dated import DatedFacts, Named


class Supply(Named):
    """A separate DC source for self-amplified speakers; the positive is grounded in this trade."""

    closet = fields.SiteKey("sites.Closet", place=True, related_name="supplies")
    name = fields.NameField(max_length=80)
    outlet = fields.LineField(max_length=120, blank=True)
    breaker = fields.LineField(max_length=120, blank=True)
    ups = fields.LineField(max_length=120, blank=True, verbose_name="UPS")
    battery_installed_on = fields.DayField(null=True)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "supply"
        indexes = [
            *Named.Meta.indexes,
            models.Index(fields=["battery_installed_on", "id"], name="supply_by_battery"),
        ]


class SupplyFacts(DatedFacts):
    pk = models.CompositePrimaryKey("supply_id", "step")
    supply = fields.SiteKey(Supply, related_name="facts", db_index=False)
    model = fields.SharedKey(
        "sites.DeviceModel", null=True, help_text="Blank: unknown, so nothing it feeds can be judged."
    )

    class Meta:
        db_table = "supply_facts"


class Amplifier(Named):
    """Drives a constant-voltage line (25, 70.7, 100 V) or a low-impedance one."""

    closet = fields.SiteKey("sites.Closet", place=True, related_name="amplifiers")
    name = fields.NameField(max_length=80)
    outlet = fields.LineField(max_length=120, blank=True)
    breaker = fields.LineField(max_length=120, blank=True)
    note = fields.NoteField()

    class Meta(Named.Meta):
        db_table = "amplifier"


class AmplifierFacts(DatedFacts):
    pk = models.CompositePrimaryKey("amplifier_id", "step")
    amplifier = fields.SiteKey(Amplifier, related_name="facts", db_index=False)
    model = fields.SharedKey("sites.DeviceModel", null=True)
    line_voltage_v = fields.line_voltage(
        null=True, help_text="25, 70.7 or 100 for a constant-voltage line; blank for low impedance."
    )

    class Meta:
        db_table = "amplifier_facts"
