"""Tests: what was measured or tried on a day. Append-only; a correction supersedes."""

from __future__ import annotations

import datetime as dt
from typing import TypeAlias

from django.db import models
from django.db.models import Q

from sites.models import Recorded, fields

from .test_kinds import KINDS, KindOfTest, TestKind, TestSignal, TestState


class Test(Recorded):
    """Its table is called as releases before call it, since they read and write it beside this one."""

    __test__ = False  # or pytest takes it for one of its own

    Kind: TypeAlias = TestKind
    State: TypeAlias = TestState
    Signal: TypeAlias = TestSignal

    class TakenAs(models.TextChoices):
        AS_FOUND = "as_found", "as found"
        AS_LEFT = "as_left", "as left"

    kind = fields.WordField(TestKind, max_length=16)
    state = fields.WordField(
        TestState, max_length=8, null=True, help_text="Left out for a kind that is taken on a dead wire."
    )
    signal = fields.WordField(
        TestSignal,
        max_length=8,
        default=TestSignal.SPEECH,
        db_default=TestSignal.SPEECH,
        help_text="What was paged meanwhile: speech, or a steady tone at full level. Left out where nothing "
        "was paged.",
    )
    run = fields.SiteKey("zones.Run", null=True, related_name="tests")
    point = fields.SiteKey("zones.Point", null=True)
    zone = fields.SiteKey("zones.Zone", null=True, db_index=False, related_name="tests")
    switch = fields.SiteKey("sites.Switch", null=True, related_name="tests")
    power_group = fields.WholeField(
        minimum=0, maximum=999, null=True, help_text="Of the switch's power supplies (RFC 3621)."
    )
    value = fields.QuantityField(
        minimum=-120, maximum=1e12, null=True, help_text="In the unit of its kind: A, V, W, Ω or dB."
    )
    passed = fields.FlagField(null=True, help_text="Of a kind that passes or fails and has no value.")
    source_voltage_v = fields.QuantityField(
        unit="V", minimum=0, maximum=120, null=True, help_text="Measured at the block at the same time."
    )
    instrument_error = fields.QuantityField(
        minimum=0,
        maximum=1,
        null=True,
        help_text="What the instrument states, as a fraction of the value; of a level, in dB. Blank: 0.05 of "
        "a current, 0.1 of one during speech, 0.01 of a voltage (common practice).",
    )
    temperature_c = fields.QuantityField(
        unit="°C", minimum=-60, maximum=90, null=True, help_text="Of the cable at the time."
    )
    electronics_disconnected = fields.FlagField(
        null=True,
        help_text="For an insulation test: confirms that all electronics were disconnected before it.",
    )
    taken_on = fields.DayField()
    taken_at = fields.TimeOfDayField(
        db_default="",
        help_text="Time of day at the site. Of several tests of a day the last counts, where all have one.",
    )
    taken_as = fields.WordField(
        TakenAs,
        null=True,
        help_text="As found on arrival, before the changes of that day; or as left after the work.",
    )
    step = models.BigIntegerField(
        help_text="The record as of this step is what was measured: after the day's last."
    )
    technician = fields.LineField(max_length=120, blank=True)
    instrument = fields.LineField(
        max_length=120, blank=True, help_text="Its name as noted; left out: that of the recorded instrument."
    )
    instrument_record = fields.SharedKey(
        "sites.Instrument",
        null=True,
        db_index=False,
        related_name="tests",
        help_text="The instrument among those recorded. Its days of calibration are noted with the test.",
    )
    calibrated_on = fields.DayField(null=True)
    calibration_due_on = fields.DayField(
        null=True, help_text="Last day on which that calibration counts. A test after it is marked."
    )
    visit = fields.SiteKey(
        "zones.Visit",
        null=True,
        db_index=False,
        related_name="tests",
        help_text="The visit of that day that it belongs to.",
    )
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
                condition=Q(signal="speech") | Q(state="paging"), name="reading_tone_while_paging"
            ),
        ]
        indexes = [
            models.Index(fields=["taken_on", "id"], name="reading_by_day"),
            models.Index(fields=["kind", "taken_on", "id"], name="reading_by_kind"),
            models.Index(
                fields=["instrument_record", "taken_on", "id"],
                condition=Q(instrument_record__isnull=False),
                name="reading_by_instrument",
            ),
        ]

    @property
    def kind_of_test(self) -> KindOfTest:
        return KINDS[TestKind(self.kind)]

    @property
    def unit(self) -> str | None:
        """Unit of its value; None: it passes or fails."""
        measured = self.kind_of_test.measured
        return None if measured is None else measured.unit

    @property
    def has_failed(self) -> bool:
        """Whether it fails by itself, without regard to the record."""
        measured = self.kind_of_test.measured
        if measured is None or self.value is None:
            return not self.passed
        return measured.passes_from is not None and self.value < measured.passes_from

    @property
    def signal_paged(self) -> str | None:
        """What was paged meanwhile; None: nothing."""
        return self.signal if self.state == TestState.PAGING else None

    @property
    def calibration_lapsed(self) -> bool | None:
        """Whether the calibration of its instrument had lapsed on its day; None: not recorded."""
        due: dt.date | None = self.calibration_due_on
        return None if due is None else self.taken_on > due
