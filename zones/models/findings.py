"""Findings (one episode of one limit on one subject) and cases (the findings that one change caused on one
site)."""

from __future__ import annotations

import functools
from typing import Final

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Func, Q, Value
from django.db.models.functions import Length
from django.db.models.lookups import LessThanOrEqual

from sites.models.rows import Row
from zones.electrical.estimates import Estimates, estimates_of
from zones.electrical.verdicts import Verdict

LONGEST_REASON: Final = 500
"""Characters of a reason why something cannot be computed: a code, or the error of a whole site."""
MOST_REASONS: Final = 20
LONGEST_STATE_REASON: Final = 2000


class Case(Row):
    """One ticket, not six. The key is a function of the record: site and causing change set, or site and "as
    found", or subject, limit and due day; so the same cause is the same case whenever a recheck ran.

    A case clears with its last finding. Where its cause brings about a finding again, the same row opens
    again, with a new ``opened_at``; ``first_opened_at`` and its ticket stay.
    """

    site = models.ForeignKey(
        "sites.Site", on_delete=models.PROTECT, related_name="cases", db_constraint=False
    )
    key = models.CharField(max_length=120, unique=True)
    change_set = models.ForeignKey(
        "sites.ChangeSet",
        on_delete=models.PROTECT,
        null=True,
        related_name="cases",
        db_constraint=False,
        help_text="The change that caused it; blank: as found.",
    )
    opened_at = models.DateTimeField(help_text="When it opened; where it opened again, the last time.")
    first_opened_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="When it opened the first time; null: not recorded, or withheld until now.",
    )
    cleared_at = models.DateTimeField(null=True, blank=True)
    quiet = models.BooleanField(default=False, help_text="Opened by a first import: no event.")
    withheld = models.BooleanField(
        default=False,
        db_default=False,
        editable=False,
        help_text="Nothing in it is past for certain, and the contract (without one: the customer) opens no "
        "case for probably past. Lists leave it out unless asked.",
    )
    ticket_reference = models.CharField(max_length=120, blank=True)
    ticket_by = models.CharField(
        max_length=150,
        blank=True,
        default="",
        db_default="",
        editable=False,
        help_text="Who entered the ticket reference.",
    )
    notified_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="Time of the first event since the case opened; blank: no event yet.",
    )
    gravity = models.SmallIntegerField(
        default=0,
        db_default=0,
        editable=False,
        help_text="What lists are sorted by: ten times the severity, and the worst open verdict.",
    )
    changed_at = models.DateTimeField(
        null=True,
        editable=False,
        help_text="When its findings, what people say of them, or its ticket last changed.",
    )
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "case"
        ordering = ["-id"]
        constraints = [models.UniqueConstraint(fields=["site", "id"], name="case_of_site")]
        # Lists over all sites: in the order of their opening
        indexes = [
            models.Index(fields=["opened_at", "id"], name="case_by_opening"),
            models.Index(
                fields=["opened_at", "id"], condition=Q(cleared_at__isnull=True), name="case_open_by_opening"
            ),
            models.Index(
                fields=["opened_at", "id"],
                condition=Q(cleared_at__isnull=False),
                name="case_cleared_by_opening",
            ),
            models.Index(
                fields=["opened_at", "id"],
                condition=Q(cleared_at__isnull=True, ticket_reference=""),
                name="case_without_ticket",
            ),
            models.Index(
                fields=["ticket_reference", "id"], condition=~Q(ticket_reference=""), name="case_by_ticket"
            ),
            models.Index(
                fields=["gravity", "id"], condition=Q(cleared_at__isnull=True), name="case_open_by_gravity"
            ),
            models.Index(
                fields=["cleared_at", "id"], condition=Q(cleared_at__isnull=False), name="case_by_clearing"
            ),
            models.Index(fields=["changed_at", "id"], name="case_by_change"),
        ]


class Finding(Row):
    class State(models.TextChoices):
        OPEN = "open", "open"
        ACKNOWLEDGED = "acknowledged", "acknowledged"
        DEFERRED = "deferred", "deferred"
        CLEARED = "cleared", "cleared"

    class Outcome(models.TextChoices):
        NONE = "", "none yet"
        REPAIRED = "repaired", "repaired"
        RECORD_WRONG = "record_wrong", "record was wrong"
        ACCEPTED = "accepted", "accepted by the customer"
        FOLLOWS = "follows", "follows from another"

    site = models.ForeignKey(
        "sites.Site", on_delete=models.PROTECT, related_name="findings", db_constraint=False
    )
    case = models.ForeignKey(Case, on_delete=models.PROTECT, related_name="findings", db_constraint=False)
    code = models.CharField(max_length=40)
    subject_kind = models.PositiveSmallIntegerField()
    subject_id = models.BigIntegerField()
    state = models.CharField(max_length=12, choices=State.choices, default=State.OPEN)
    verdict = models.PositiveSmallIntegerField()
    gravity = models.SmallIntegerField(
        default=0,
        db_default=0,
        editable=False,
        help_text="What lists are sorted by: ten times the severity of the limit, and the verdict.",
    )
    low = models.FloatField(null=True)
    likely = models.FloatField(null=True)
    high = models.FloatField(null=True)
    limit_value = models.FloatField(null=True)
    notified_excess = models.FloatField(
        null=True,
        editable=False,
        help_text="Likely figure less limit when it last opened or changed: from there 5 % of the limit is "
        "measured, however many rechecks lie between.",
    )
    detail = models.BigIntegerField(null=True)
    low_limit = models.FloatField(null=True, editable=False)
    high_limit = models.FloatField(null=True, editable=False)
    low_detail = models.BigIntegerField(null=True, editable=False)
    high_detail = models.BigIntegerField(null=True, editable=False)
    overloaded = models.SmallIntegerField(
        default=0,
        db_default=0,
        editable=False,
        help_text="Estimates without a stable solution: 1 low, 2 likely, 4 high, added up.",
    )
    bounds = models.SmallIntegerField(
        default=0,
        db_default=0,
        editable=False,
        help_text="Estimates whose true figure may be harsher than the number, in the same way.",
    )
    reasons = ArrayField(
        models.TextField(),
        default=list,
        blank=True,
        help_text="Codes of why it cannot be computed, where that is the finding; of a whole site the error.",
    )
    attribution = models.JSONField(
        help_text="What pushed it past its limit: codes, ids and values, which `named_changes` reads."
    )
    clearing = models.JSONField(
        null=True,
        editable=False,
        help_text="For a cleared one: what cleared it, and the figure after, which `clearings` reads.",
    )
    recomputed = models.BooleanField(
        default=False,
        db_default=False,
        editable=False,
        help_text="Its last change came from a new formula, not from the record: no event.",
    )
    opened_at = models.DateTimeField()
    changed_at = models.DateTimeField()
    cleared_at = models.DateTimeField(null=True, blank=True)
    deferred_until = models.DateField(null=True, blank=True)
    state_reason = models.TextField(max_length=LONGEST_STATE_REASON, blank=True)
    state_by = models.CharField(max_length=150, blank=True)
    outcome = models.CharField(max_length=14, choices=Outcome.choices, default=Outcome.NONE, blank=True)
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "finding"
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["subject_kind", "subject_id", "code"],
                condition=Q(cleared_at__isnull=True),
                name="finding_one_open_a_subject_and_limit",
            ),
            models.CheckConstraint(
                condition=Q(state="cleared", cleared_at__isnull=False)
                | (~Q(state="cleared") & Q(cleared_at__isnull=True)),
                name="finding_cleared_has_time",
            ),
            models.CheckConstraint(
                condition=Q(state="deferred", deferred_until__isnull=False)
                | (~Q(state="deferred") & Q(deferred_until__isnull=True)),
                name="finding_deferred_until_a_day",
            ),
            models.CheckConstraint(
                condition=LessThanOrEqual(Length("state_reason"), LONGEST_STATE_REASON),
                name="finding_state_reason_limited",
            ),
            models.CheckConstraint(
                condition=Q(reasons__len__lte=MOST_REASONS)
                & Q(
                    LessThanOrEqual(
                        Length(
                            Func(
                                F("reasons"),
                                Value(""),
                                function="array_to_string",
                                output_field=models.TextField(),
                            )
                        ),
                        MOST_REASONS * LONGEST_REASON,
                    )
                ),
                name="finding_reasons_limited",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "-id"], name="finding_by_site"),
            # Lists over all sites: most severe first, of some limit or in some state, and by their opening
            models.Index(
                fields=["gravity", "id"], condition=~Q(state="cleared"), name="finding_open_by_gravity"
            ),
            models.Index(fields=["gravity", "id"], name="finding_by_gravity"),
            models.Index(fields=["state", "gravity", "id"], name="finding_by_state"),
            models.Index(
                fields=["code", "gravity", "id"], condition=~Q(state="cleared"), name="finding_open_by_code"
            ),
            models.Index(
                fields=["opened_at", "id"], condition=~Q(state="cleared"), name="finding_open_by_opening"
            ),
            models.Index(fields=["opened_at", "id"], name="finding_by_opening"),
            models.Index(fields=["state", "opened_at", "id"], name="finding_of_state_by_opening"),
            models.Index(
                fields=["code", "opened_at", "id"],
                condition=~Q(state="cleared"),
                name="finding_of_code_by_opening",
            ),
        ]

    @property
    def subject(self) -> tuple[int, int]:
        """Subject kind and id."""
        return self.subject_kind, self.subject_id

    @property
    def estimates(self) -> Estimates:
        return _estimates_of(
            self.low,
            self.likely,
            self.high,
            self.low_limit,
            self.limit_value,
            self.high_limit,
            self.low_detail,
            self.detail,
            self.high_detail,
            self.overloaded,
            self.bounds,
        )

    @property
    def verdict_word(self) -> str:
        """The code of its verdict."""
        return Verdict(self.verdict).name.lower()


_estimates_of = functools.lru_cache(1024)(estimates_of)
"""What is said of a finding asks for them a dozen times."""


class Takeover(models.Model):
    """A site whose first import has its one summary event."""

    site = models.OneToOneField(
        "sites.Site", on_delete=models.CASCADE, primary_key=True, related_name="+", db_constraint=False
    )
    notified_at = models.DateTimeField()

    class Meta:
        db_table = "takeover"


class CatalogueNews(models.Model):
    """A case that an edit of the catalogue opened or changed and that no event has mentioned yet: there is
    one summary a customer, once every site concerned was rechecked."""

    case = models.ForeignKey(Case, on_delete=models.CASCADE, related_name="+", db_constraint=False)
    change_set = models.ForeignKey(
        "sites.ChangeSet",
        on_delete=models.CASCADE,
        related_name="+",
        db_constraint=False,
        help_text="The edit.",
    )

    class Meta:
        db_table = "catalogue_news"
        constraints = [
            models.UniqueConstraint(fields=["change_set", "case"], name="catalogue_news_once_a_case")
        ]
