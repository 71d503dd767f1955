"""Whom the integrator works for, under which contract, and which sites a contract covers from when to
when."""

from __future__ import annotations

from django.contrib.postgres.constraints import ExclusionConstraint
from django.contrib.postgres.fields import DateRangeField, RangeOperators
from django.db import models
from django.db.models import F, Q


class Customer(models.Model):
    name = models.TextField(unique=True)
    code = models.SlugField(unique=True, max_length=40, help_text="Short name used in files and addresses.")
    note = models.TextField(blank=True)
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "customer"
        ordering = ["name", "id"]

    def __str__(self) -> str:
        return self.name


class Contract(models.Model):
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="contracts")
    reference = models.CharField(max_length=80)
    response_hours = models.PositiveSmallIntegerField(null=True, blank=True)
    test_interval_months = models.PositiveSmallIntegerField(null=True, blank=True)
    event_when_probable = models.BooleanField(
        default=True, help_text="Send an event already when a limit is probably past, not only when it is."
    )
    note = models.TextField(blank=True)
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "contract"
        ordering = ["reference", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["customer", "reference"], name="contract_reference_once_a_customer"
            ),
        ]

    def __str__(self) -> str:
        return self.reference


class Coverage(models.Model):
    """A contract covers a site from a day to a day (half open); one contract at a time covers a site."""

    contract = models.ForeignKey(Contract, on_delete=models.PROTECT, related_name="coverages")
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="coverages")
    days = DateRangeField()

    class Meta:
        db_table = "coverage"
        constraints = [
            models.CheckConstraint(condition=Q(days__isempty=False), name="coverage_has_days"),
            ExclusionConstraint(
                name="coverage_one_contract_a_site_at_a_time",
                expressions=[(F("site"), RangeOperators.EQUAL), (F("days"), RangeOperators.OVERLAPS)],
            ),
        ]
