"""Change sets, and the change record that the database itself writes."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import F, Func, Q
from django.db.models.functions import Lower, Now
from django.db.models.lookups import LessThanOrEqual

from sites import fields

from .rows import Row

MOST_OPERATIONS: Final = 500
"""What a change set holds at most. More than that is an import: it writes its rows itself."""
REWROTE: Final = "import.rewrote"
"""The operation by which an imported correction keeps the rows of a table that it rewrote, before and after:
an import writes the last values at once, since what was recorded later fits those alone. ``since``: the
change set from which a row of dated facts holds."""
MOST_REWRITTEN: Final = 10_000
"""How many rows one change set of an import rewrites at most: its ``REWROTE`` may keep all of them."""


class ChangeSet(Row):
    """Everything written to the plant: who, when recorded, when happened, why, job, channel.

    A draft keeps its operations with the row versions they expect; accepted, it has a step and its rows.
    One ``step`` is (day, order of acceptance within the day); the database gives it out at acceptance.
    """

    class State(models.TextChoices):
        DRAFT = "draft", "draft"
        ACCEPTED = "accepted", "accepted"
        WITHDRAWN = "withdrawn", "withdrawn"

    class Kind(models.TextChoices):
        WORK = "work", "work on site"
        CORRECTION = "correction", "record correction"
        CATALOGUE = "catalogue", "correction of the catalogue"
        TAKEOVER = "takeover", "first record of a site"

    class Channel(models.TextChoices):
        REST = "rest", "REST"
        PAGE = "page", "page"
        IMPORT = "import", "import"
        COMMAND = "command", "command"
        SQL = "sql", "SQL"

    class Purpose(models.TextChoices):
        RECORD = "record", "as-built change"
        WHAT_IF = "what_if", "what-if"
        PLAN = "plan", "saved plan"
        REDLINE = "redline", "technician's redline"

    site = models.ForeignKey(
        "sites.Site", on_delete=models.PROTECT, null=True, blank=True, related_name="change_sets"
    )
    state = fields.WordField(State, max_length=10, default=State.DRAFT)
    kind = fields.WordField(Kind, max_length=12, default=Kind.WORK)
    purpose = fields.WordField(Purpose, max_length=10, default=Purpose.RECORD)
    channel = fields.WordField(Channel, max_length=10)
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    actor = fields.LineField(
        max_length=150, help_text="Who recorded it, as a person reads it: kept even when the user goes."
    )
    done_by = fields.LineField(
        max_length=150,
        blank=True,
        default="",
        db_default="",
        help_text="Who did the work, a person or a firm, where that is not who recorded it.",
    )
    accepted_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.PROTECT,
        null=True,
        blank=True,
        related_name="+",
        help_text="Who made a draft the record, where that is not who drew it up.",
    )
    reason = fields.NoteField(max_length=2000, blank=False)
    job_reference = fields.LineField(max_length=80, blank=True)
    happened_on = fields.DayField(null=True, help_text="Day in the site's time zone; left out: today there.")
    planned = fields.FlagField(
        default=False, db_default=False, help_text="Agreed for a day that may be one to come."
    )
    quiet = models.BooleanField(
        default=False, help_text="First import of a site: findings open without events."
    )
    operations = models.JSONField(default=list, encoder=DjangoJSONEncoder)
    created_at = models.DateTimeField(auto_now_add=True)
    recorded_at = fields.GivenMomentField(null=True, blank=True, editable=False)
    step = fields.StepField(null=True)
    transaction_id = models.BigIntegerField(null=True, blank=True, editable=False)
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "change_set"
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(fields=["site", "step"], name="change_set_step_once_a_site"),
            models.UniqueConstraint(fields=["site", "id"], name="change_set_of_site"),
            models.CheckConstraint(
                condition=~Q(state="accepted") | Q(recorded_at__isnull=False, happened_on__isnull=False),
                name="change_set_accepted_has_day",
            ),
            models.CheckConstraint(
                condition=~Q(state="accepted") | Q(site__isnull=True) | Q(step__isnull=False),
                name="change_set_accepted_has_step",
            ),
            models.CheckConstraint(
                condition=LessThanOrEqual(
                    Func(F("operations"), function="jsonb_array_length", output_field=models.IntegerField()),
                    MOST_OPERATIONS,
                ),
                name="change_set_operations_limited",
            ),
        ]
        indexes = [
            # Lists over all sites; what is of most rows is left out
            models.Index(fields=["happened_on", "id"], name="change_set_by_day"),
            models.Index(fields=["recorded_at", "id"], name="change_set_by_recording"),
            models.Index(
                fields=["kind", "happened_on", "id"], condition=~Q(kind="work"), name="change_set_by_kind"
            ),
            models.Index(
                fields=["purpose", "id"], condition=~Q(purpose="record"), name="change_set_by_purpose"
            ),
            models.Index(fields=["state", "id"], condition=~Q(state="accepted"), name="change_set_by_state"),
            models.Index(
                Lower("job_reference"), "id", condition=~Q(job_reference=""), name="change_set_by_job"
            ),
        ]


class Change(Row):
    """One row a statement, table and site, written by the statement triggers and by nothing else."""

    change_set = models.ForeignKey(
        ChangeSet, on_delete=models.PROTECT, related_name="changes", db_constraint=False
    )
    site = models.ForeignKey(
        "sites.Site", on_delete=models.PROTECT, null=True, related_name="+", db_constraint=False
    )
    table_name = models.CharField(max_length=63)
    operation = models.CharField(max_length=6)
    row_count = models.IntegerField()
    old_rows = models.JSONField(null=True)
    new_rows = models.JSONField(null=True)
    at = models.DateTimeField(db_default=Now())

    class Meta:
        db_table = "change"
        indexes = [
            models.Index(fields=["site", "-id"], name="change_by_site"),
            models.Index(fields=["table_name"], condition=Q(operation="delete"), name="change_deleted"),
        ]


class Withdrawal(models.Model):
    """Append-only: a change set that was withdrawn whole on the day it was recorded; by whom, when, why.
    Inserting the row is the withdrawal: its trigger undoes what the change set wrote."""

    change_set = models.OneToOneField(
        ChangeSet, on_delete=models.PROTECT, primary_key=True, related_name="withdrawal"
    )
    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    actor = fields.LineField(max_length=150, help_text="Who withdrew it, as a person reads it.")
    reason = fields.NoteField(max_length=2000, blank=False)
    withdrawn_at = models.DateTimeField(db_default=Now())

    class Meta:
        db_table = "withdrawal"


class Mark(models.Model):
    """Append-only: this site's load must be recomputed. Written by triggers, deleted by the recheck that
    read it."""

    class Lane(models.IntegerChoices):
        INTERACTIVE = 0, "interactive"
        BULK = 1, "bulk"
        SET_ASIDE = 2, "set aside"  # the site could not be computed; it is tried again later

    site = models.ForeignKey("sites.Site", on_delete=models.CASCADE, related_name="+", db_constraint=False)
    change_set = models.ForeignKey(
        ChangeSet, on_delete=models.CASCADE, null=True, related_name="+", db_constraint=False, db_index=False
    )
    lane = models.PositiveSmallIntegerField(choices=Lane.choices, default=Lane.INTERACTIVE)
    reason = models.CharField(max_length=40, default="record changed")
    made_at = models.DateTimeField(db_default=Now())

    class Meta:
        db_table = "mark"
        indexes = [models.Index(fields=["lane", "site"], name="mark_by_lane_and_site")]
