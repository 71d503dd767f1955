"""Event rows, written in the transaction that made them happen; the publisher numbers them later."""

from __future__ import annotations

from django.core.serializers.json import DjangoJSONEncoder
from django.db import models


class Event(models.Model):
    kind = models.CharField(max_length=60)
    customer = models.ForeignKey(
        "sites.Customer", on_delete=models.PROTECT, related_name="+", db_constraint=False
    )
    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+", db_constraint=False)
    subject = models.CharField(max_length=200, help_text="Resource path, such as cases/41.")
    case_key = models.CharField(max_length=120, blank=True)
    body = models.JSONField(encoder=DjangoJSONEncoder)
    happened_at = models.DateTimeField()
    sequence = models.BigIntegerField(null=True, unique=True, editable=False)

    class Meta:
        db_table = "event"
        indexes = [
            models.Index(fields=["id"], condition=models.Q(sequence__isnull=True), name="event_unpublished"),
        ]
