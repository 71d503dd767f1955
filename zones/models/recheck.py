"""What the recheck writes and what drives it: figures, due dates, and how each site's last attempt went."""

from __future__ import annotations

from typing import Final

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual
from django.utils import timezone

from sites.models.rows import Row

from .findings import LONGEST_REASON

MOST_LIMITS: Final = 100
"""Most limits of one subject; the registry has fewer."""
_ARRAYS: Final = (
    "codes", "low", "likely", "high", "limit_value", "verdict", "detail", "low_limit", "high_limit",
    "low_detail", "high_detail", "overloaded", "bounds", "supported",
)  # fmt: skip


def _as_many_as_limits() -> Q:
    condition = Q()
    for name in _ARRAYS:
        condition &= Q(**{f"{name}__len__lte": MOST_LIMITS}) | Q(**{f"{name}__isnull": True})
    return condition


class Figures(models.Model):
    """One row a subject: its limits with low, likely and high figure, limit, verdict; parallel arrays. The
    low and the high estimate have limit and detail of their own (``zones.electrical.estimates``); of what the
    release before wrote these are those of the likely one.

    Never on the row that people edit, or every recheck would spoil an ETag. ``subject_kind`` is
    ``zones.electrical.subjects.SubjectKind``; ``codes`` are codes of the limits registry.
    """

    pk = models.CompositePrimaryKey("subject_kind", "subject_id")
    site = models.ForeignKey("sites.Site", on_delete=models.CASCADE, related_name="+", db_constraint=False)
    subject_kind = models.PositiveSmallIntegerField()
    subject_id = models.BigIntegerField()
    codes = ArrayField(models.CharField(max_length=40))
    low = ArrayField(models.FloatField(null=True))
    likely = ArrayField(models.FloatField(null=True))
    high = ArrayField(models.FloatField(null=True))
    limit_value = ArrayField(models.FloatField(null=True))
    verdict = ArrayField(models.PositiveSmallIntegerField())
    detail = ArrayField(
        models.BigIntegerField(null=True), help_text="Where: the point, port or row that decides."
    )
    low_limit = ArrayField(models.FloatField(null=True), null=True)
    high_limit = ArrayField(models.FloatField(null=True), null=True)
    low_detail = ArrayField(models.BigIntegerField(null=True), null=True)
    high_detail = ArrayField(models.BigIntegerField(null=True), null=True)
    overloaded = ArrayField(
        models.SmallIntegerField(),
        null=True,
        help_text="Estimates without a stable solution: 1 low, 2 likely, 4 high, added up.",
    )
    bounds = ArrayField(
        models.SmallIntegerField(),
        null=True,
        help_text="Estimates whose true figure may be harsher than the number, in the same way.",
    )
    supported = ArrayField(
        models.FloatField(null=True), help_text="Share of the load on measured or marked data."
    )
    as_of = models.DateField()
    solver_version = models.PositiveSmallIntegerField()
    computed_at = models.DateTimeField()

    class Meta:
        db_table = "figures"
        constraints = [models.CheckConstraint(condition=_as_many_as_limits(), name="figures_limited")]


class ZoneSubject(models.Model):
    """A subject that bears on a zone today: what ``zones.electrical.bearing`` said at the last recheck.
    Lists, filters, sheets and events join it; of another day, the plant is asked."""

    pk = models.CompositePrimaryKey("zone_id", "subject_kind", "subject_id")
    site = models.ForeignKey("sites.Site", on_delete=models.CASCADE, related_name="+", db_constraint=False)
    zone = models.ForeignKey(
        "zones.Zone",
        on_delete=models.CASCADE,
        related_name="subjects",
        db_constraint=False,
        db_index=False,
    )
    subject_kind = models.PositiveSmallIntegerField()
    subject_id = models.BigIntegerField()

    class Meta:
        db_table = "zone_subject"
        indexes = [models.Index(fields=["subject_kind", "subject_id"], name="zone_subject_by_subject")]


class SiteCheck(models.Model):
    """How the last recheck of a site went: when it was good and what it could not compute, or how often it
    failed and when it is tried again."""

    site = models.OneToOneField(
        "sites.Site", on_delete=models.CASCADE, primary_key=True, related_name="+", db_constraint=False
    )
    checked_at = models.DateTimeField(null=True)
    as_of = models.DateField(null=True)
    solver_version = models.PositiveSmallIntegerField(null=True)
    not_computed = models.PositiveIntegerField(
        default=0, db_default=0, help_text="How many things of the site could not be computed."
    )
    failures = models.PositiveIntegerField(default=0)
    last_error = models.TextField(max_length=LONGEST_REASON, blank=True)
    next_attempt_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "site_check"
        constraints = [
            models.CheckConstraint(
                condition=LessThanOrEqual(Length("last_error"), LONGEST_REASON),
                name="site_check_last_error_limited",
            )
        ]


class RecheckTime(models.Model):
    """How long sweeps took to recompute sites, a row a lane, added up since the table was made. Monitoring
    divides what two looks differ by."""

    lane = models.PositiveSmallIntegerField(primary_key=True)
    batches = models.BigIntegerField()
    sites = models.BigIntegerField()
    seconds = models.FloatField()

    class Meta:
        db_table = "recheck_time"


class DueDate(models.Model):
    """Time is an input: at this instant (a site's midnight) the sweep turns the row into a mark."""

    site = models.ForeignKey("sites.Site", on_delete=models.CASCADE, related_name="+", db_constraint=False)
    at = models.DateTimeField()
    reason = models.CharField(max_length=40)

    class Meta:
        db_table = "due_date"
        constraints = [models.UniqueConstraint(fields=["site", "at", "reason"], name="due_date_once")]
        indexes = [models.Index(fields=["at"], name="due_date_by_time")]


class Expected(models.Model):
    """What a measured test should have read; superseded tests have no row. ``low``, ``likely``, ``high``, all
    NULL: it cannot be judged. ``error``: what its instrument may be off by; ``outside``: how far the value,
    give or take ``error``, lies outside low and high. All in the test's unit."""

    test = models.OneToOneField(
        "zones.Test", on_delete=models.PROTECT, primary_key=True, related_name="expected", db_constraint=False
    )
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+", db_constraint=False)
    low = models.FloatField(null=True)
    likely = models.FloatField(null=True)
    high = models.FloatField(null=True)
    error = models.FloatField()
    outside = models.FloatField(null=True)
    solver_version = models.IntegerField()

    class Meta:
        db_table = "test_expected"
        indexes = [
            models.Index(fields=["test"], condition=models.Q(outside__gt=0), name="test_outside"),
        ]

    @property
    def is_whole(self) -> bool:
        """Whether all three are known. None is of a network that has no solution: it delivers nothing, so
        whatever was read lies outside."""
        return None not in (self.low, self.likely, self.high)


class ProofsKept(models.Model):
    """One row: the day from which proofs of runs are kept, that is on which the database was first migrated
    to a release that keeps them. No test is due, and no device in service is asked for a proof, from before
    it."""

    id = models.SmallIntegerField(primary_key=True, default=1)
    since = models.DateField()

    class Meta:
        db_table = "proofs_kept"


class DueTest(Row):
    """The next due test of a run, as its site's last recheck left it. ``contract``: the one whose interval
    counts."""

    run = models.OneToOneField(
        "zones.Run", on_delete=models.DO_NOTHING, related_name="due_test", db_constraint=False
    )
    site = models.ForeignKey(
        "sites.Site", on_delete=models.CASCADE, related_name="due_tests", db_constraint=False
    )
    contract = models.ForeignKey(
        "sites.Contract", on_delete=models.DO_NOTHING, related_name="due_tests", db_constraint=False
    )
    due_on = models.DateField(help_text="The last day on which its next complete proof is in time.")
    proven_on = models.DateField(
        null=True, help_text="The day of its last complete proof. null: it has none."
    )
    surveyed = models.BooleanField(
        help_text="Whether proven_on is the day of the survey of a site that was taken over."
    )
    changed_at = models.DateTimeField(default=timezone.now, editable=False)

    class Meta:
        db_table = "due_test"
        indexes = [models.Index(fields=["due_on", "id"], name="due_test_by_day")]
