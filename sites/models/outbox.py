"""Event rows, written in the transaction that made them happen; the publisher numbers them later, and with
that they are in the feed."""

from __future__ import annotations

from typing import Final

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from .rows import Row


class Event(Row):
    LONGEST_SUBJECT: Final = 200

    kind = models.CharField(max_length=60)
    customer = models.ForeignKey(
        "sites.Customer", on_delete=models.PROTECT, related_name="+", db_constraint=False
    )
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+", db_constraint=False)
    subject = models.CharField(max_length=LONGEST_SUBJECT, help_text="Resource path, such as cases/41.")
    case_key = models.CharField(max_length=120, blank=True)
    body = models.JSONField(encoder=DjangoJSONEncoder)
    happened_at = models.DateTimeField()
    sequence = models.BigIntegerField(
        null=True,
        unique=True,
        editable=False,
        help_text="Its place in the feed, without gaps; blank: not published yet. It is never shown: its "
        "gaps would tell of other customers.",
    )
    uid = models.UUIDField(null=True, editable=False, help_text="What a receiver knows it by.")
    subject_number = models.BigIntegerField(
        null=True, editable=False, help_text="Its number among the events of its subject."
    )
    published_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        db_table = "event"
        indexes = [
            models.Index(fields=["id"], condition=models.Q(sequence__isnull=True), name="event_unpublished"),
            models.Index(
                fields=["customer", "sequence"],
                condition=models.Q(sequence__isnull=False),
                name="event_of_customer",
            ),
            models.Index(
                fields=["kind", "sequence"],
                condition=models.Q(sequence__isnull=False),
                name="event_of_kind",
            ),
        ]


class EventSubject(models.Model):
    """How many events of a subject were published; it outlives them."""

    subject = models.CharField(primary_key=True, max_length=Event.LONGEST_SUBJECT)
    published = models.BigIntegerField()

    class Meta:
        db_table = "event_subject"


class Feed(models.Model):
    """The one row that says how far the feed has come, and in which database."""

    THE_ONE: Final = 1

    id = models.PositiveSmallIntegerField(primary_key=True)
    epoch = models.UUIDField(
        null=True,
        help_text="Changes with the database; blank: nothing published yet.",
    )
    database = models.CharField(
        max_length=100,
        blank=True,
        help_text="The database of the epoch: system identifier, id, timeline.",
    )
    began_after = models.BigIntegerField(default=0, help_text="The last sequence before this epoch.")
    published = models.BigIntegerField(default=0, help_text="The last sequence.")
    forgotten = models.BigIntegerField(default=0, help_text="The last sequence that was deleted.")
    held_since = models.DateTimeField(
        null=True, help_text="Since when nothing is pushed, until somebody releases it; blank: released."
    )

    class Meta:
        db_table = "feed"
        constraints = [models.CheckConstraint(condition=models.Q(id=1), name="feed_is_one")]
