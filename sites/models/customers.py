"""Whom the integrator works for, under which contract, and which sites a contract covers from when to
when."""

from __future__ import annotations

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeOperators
from django.contrib.postgres.indexes import GistIndex
from django.db import models
from django.db.backends.postgresql.psycopg_any import DateRange
from django.db.models import F, Q
from django.db.models.functions import Lower

from sites import fields

from .rows import Row


class Customer(models.Model):
    name = fields.NameField(max_length=200)
    code = fields.CodeField(max_length=40, unique=True, help_text="Short name used in files and addresses.")
    probably_past_opens_cases = fields.FlagField(
        default=False,
        db_default=False,
        help_text="At sites that no contract covers: open a case already when a limit is probably past.",
    )
    technicians_accept = fields.FlagField(
        default=True,
        db_default=True,
        help_text="Changes by technicians are the record at once; no: they send drafts, which a manager "
        "accepts. Tests are always taken.",
    )
    note = fields.NoteField()
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "customer"
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(Lower("name"), name="customer_name_once"),
            models.UniqueConstraint(Lower("code"), name="customer_code_once"),
        ]

    def __str__(self) -> str:
        return self.name


class Contract(models.Model):
    class CoverHours(models.TextChoices):
        AROUND_THE_CLOCK = "around_the_clock", "around the clock"
        WORKING_HOURS = "working_hours", "in working hours"

    class Weekday(models.TextChoices):
        MONDAY = "monday", "Monday"
        TUESDAY = "tuesday", "Tuesday"
        WEDNESDAY = "wednesday", "Wednesday"
        THURSDAY = "thursday", "Thursday"
        FRIDAY = "friday", "Friday"
        SATURDAY = "saturday", "Saturday"
        SUNDAY = "sunday", "Sunday"

    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="contracts")
    reference = fields.NameField(max_length=80)
    response_hours = fields.WholeField(unit="h", minimum=0, maximum=8760, null=True)
    cover_hours = fields.WordField(
        CoverHours,
        max_length=20,
        null=True,
        help_text="In which hours response hours count. Blank: not recorded; they count around the clock.",
    )
    working_days = fields.ListField(
        fields.WordField(Weekday, max_length=9),
        max_items=7,
        default=list,
        blank=True,
        help_text="With working_hours: the days of the week.",
    )
    working_from = fields.TimeOfDayField(help_text="With working_hours: from this time of a site's clock.")
    working_until = fields.TimeOfDayField(help_text="With working_hours: until this time, at most 24:00.")
    holidays = fields.ListField(
        fields.DayField(),
        max_items=400,
        default=list,
        blank=True,
        help_text="With working_hours: public holidays, on which no hour counts.",
    )
    test_interval_months = fields.WholeField(unit="months", minimum=1, maximum=240, null=True)
    # The column keeps the name that the last release reads
    probably_past_opens_cases = fields.FlagField(
        default=True,
        db_column="event_when_probable",
        help_text="Open a case, and send its event, already when a limit is probably past, not only when it "
        "is.",
    )
    note = fields.NoteField()
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "contract"
        ordering = ["reference", "id"]
        constraints = [
            models.UniqueConstraint(
                "customer", Lower("reference"), name="contract_reference_once_a_customer"
            ),
            models.CheckConstraint(
                condition=Q(cover_hours__isnull=True)
                | ~Q(cover_hours="working_hours")
                | Q(working_days__len__gt=0, working_until__gt=F("working_from")) & ~Q(working_from=""),
                name="contract_working_hours_stated",
            ),
        ]
        indexes = [models.Index(Lower("reference"), "id", name="contract_by_reference")]

    def __str__(self) -> str:
        return self.reference


class Coverage(Row):
    """A contract covers a site from a day to a day (half open); one contract at a time covers a site."""

    contract = models.ForeignKey(Contract, on_delete=models.PROTECT, related_name="coverages")
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="coverages")
    days = DateRangeField()

    class Meta:
        db_table = "coverage"
        constraints = [
            models.CheckConstraint(condition=Q(days__isempty=False), name="coverage_has_days"),
            models.CheckConstraint(
                condition=Q(days__contained_by=DateRange(fields.FIRST_DAY, fields.LAST_DAY))
                | Q(days__upper_inf=True, days__startswith__gte=fields.FIRST_DAY)
                & Q(days__startswith__lte=fields.LAST_DAY),
                name="coverage_days_within_range",
            ),
            ExclusionConstraint(
                name="coverage_one_contract_a_site_at_a_time",
                expressions=[(F("site"), RangeOperators.EQUAL), (F("days"), RangeOperators.OVERLAPS)],
            ),
        ]
        indexes = [GistIndex(fields=["days"], name="coverage_by_day")]
