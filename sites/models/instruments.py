"""Instruments that tests are taken with, which all sites share."""

from __future__ import annotations

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower

from sites import fields

from .catalogue import Catalogued


class Instrument(Catalogued):
    class Kind(models.TextChoices):
        MULTIMETER = "multimeter", "multimeter"
        CLAMP_METER = "clamp_meter", "clamp meter"
        INSULATION_TESTER = "insulation_tester", "insulation tester"
        IMPEDANCE_METER = "impedance_meter", "impedance meter"
        TONE_SET = "tone_set", "tone generator and probe"
        LEVEL_METER = "level_meter", "audio level meter"
        POE_TESTER = "poe_tester", "PoE tester"
        OTHER = "other", "other instrument"

    name = fields.NameField(max_length=80, help_text="What technicians call it: one name, one instrument.")
    kind = fields.WordField(Kind, max_length=20)
    serial = fields.LineField(max_length=80, blank=True, help_text="The maker's serial number.")
    calibrated_on = fields.DayField(null=True, help_text="Day of its last calibration.")
    calibration_due_on = fields.DayField(null=True, help_text="Last day on which that calibration counts.")
    note = fields.NoteField()

    class Meta:
        db_table = "instrument"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(Lower("name"), name="instrument_name_once"),
            models.CheckConstraint(
                condition=Q(calibration_due_on__gte=F("calibrated_on")),
                name="instrument_due_after_calibration",
            ),
        ]

    def __str__(self) -> str:
        return self.name
