"""What the recheck writes and what drives it: figures, due dates, and how each site's last attempt went."""

from __future__ import annotations

from typing import Final

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual

from .findings import LONGEST_REASON

MOST_LIMITS: Final = 100
"""Of one subject; the registry has fewer."""
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


class DueDate(models.Model):
    """Time is an input: at this instant (a site's midnight) the sweep turns the row into a mark."""

    site = models.ForeignKey("sites.Site", on_delete=models.CASCADE, related_name="+", db_constraint=False)
    at = models.DateTimeField()
    reason = models.CharField(max_length=40)

    class Meta:
        db_table = "due_date"
        constraints = [models.UniqueConstraint(fields=["site", "at", "reason"], name="due_date_once")]
        indexes = [models.Index(fields=["at"], name="due_date_by_time")]
