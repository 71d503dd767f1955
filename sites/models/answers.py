"""Answers to writes, kept so that a request which is sent twice is done once."""

from __future__ import annotations

import datetime as dt
from typing import Final

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models.functions import Now
from django.utils import timezone


class KeptAnswer(models.Model):
    """What a write with an Idempotency-Key was answered: kept for a day, written in the transaction of the
    change. It never holds a secret; the payload is kept as a keyed digest only."""

    KEPT_FOR: Final = dt.timedelta(hours=24)

    caller = models.CharField(max_length=40, help_text="user 3, or token 12 of a user.")
    route = models.CharField(max_length=200)
    key = models.CharField(max_length=255)
    payload_digest = models.CharField(max_length=64)
    customer_ids = ArrayField(
        models.BigIntegerField(), null=True, help_text="What the caller saw; null: every customer."
    )
    status = models.PositiveSmallIntegerField()
    headers = models.JSONField(default=dict)
    body = models.BinaryField()
    made_at = models.DateTimeField(db_default=Now())

    class Meta:
        db_table = "kept_answer"
        constraints = [models.UniqueConstraint(fields=["caller", "route", "key"], name="kept_answer_once")]
        indexes = [models.Index(fields=["made_at"], name="kept_answer_by_age")]

    @property
    def is_old(self) -> bool:
        return self.made_at <= timezone.now() - self.KEPT_FOR
