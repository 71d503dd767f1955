"""Readings: what an instrument said on a day. Append-only; a correction supersedes."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from sites.models import Recorded, fields


class Reading(Recorded):
    class Kind(models.TextChoices):
        RUN_CURRENT = "run_current", "run current at the block [A]"
        END_VOLTAGE = "end_voltage", "DC voltage at a point [V]"
        POE_POWER = "poe_power", "power of a switch's supply group [W]"

    class State(models.TextChoices):
        IDLE = "idle", "idle"
        PAGING = "paging", "paging"

    class Signal(models.TextChoices):
        SPEECH = "speech", "speech"
        TONE = "tone", "steady tone at full level"

    kind = fields.WordField(Kind, max_length=16)
    state = fields.WordField(State, max_length=8)
    signal = fields.WordField(
        Signal,
        max_length=8,
        default=Signal.SPEECH,
        db_default=Signal.SPEECH,
        help_text="What was paged while it was read: speech, or a steady tone at full level. An idle reading "
        "says speech.",
    )
    run = fields.SiteKey("zones.Run", null=True, related_name="readings")
    point = fields.SiteKey("zones.Point", null=True)
    switch = fields.SiteKey("sites.Switch", null=True, related_name="readings")
    power_group = fields.WholeField(
        minimum=0, maximum=999, null=True, help_text="Of the switch's power supplies (RFC 3621)."
    )
    value = fields.QuantityField(minimum=0, maximum=10_000, help_text="In the unit of its kind: A, V or W.")
    source_voltage_v = fields.QuantityField(
        unit="V", minimum=0, maximum=120, null=True, help_text="Measured at the block at the same time."
    )
    instrument_error = fields.QuantityField(
        minimum=0,
        maximum=1,
        null=True,
        help_text="What the instrument states, as a fraction of the value. Blank: 0.05 of a current, 0.1 of "
        "one during speech, 0.01 of a voltage (common practice).",
    )
    temperature_c = fields.QuantityField(
        unit="°C", minimum=-60, maximum=90, null=True, help_text="Of the cable at the time."
    )
    taken_on = fields.DayField()
    step = models.BigIntegerField(
        help_text="The record as of this step is what was measured: after the day's last."
    )
    technician = fields.LineField(max_length=120, blank=True)
    instrument = fields.LineField(max_length=120, blank=True)
    calibrated_on = fields.DayField(null=True)
    supersedes = models.OneToOneField(
        "self",
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="superseded_by",
        db_constraint=False,
    )
    note = fields.NoteField()

    class Meta:
        db_table = "reading"
        constraints = [
            models.UniqueConstraint(fields=["site", "id"], name="reading_of_site"),
            models.CheckConstraint(
                condition=Q(kind="run_current", run__isnull=False, switch__isnull=True, point__isnull=True)
                | Q(kind="end_voltage", run__isnull=False, switch__isnull=True, point__isnull=False)
                | Q(kind="poe_power", run__isnull=True, switch__isnull=False, point__isnull=True),
                name="reading_subject_of_its_kind",
            ),
            models.CheckConstraint(
                condition=Q(signal="speech") | Q(state="paging"), name="reading_tone_while_paging"
            ),
        ]
        indexes = [
            models.Index(fields=["taken_on", "id"], name="reading_by_day"),
            models.Index(fields=["kind", "taken_on", "id"], name="reading_by_kind"),
        ]
