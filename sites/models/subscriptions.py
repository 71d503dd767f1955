"""Subscriptions to events, their deliveries and attempts."""

from __future__ import annotations

from typing import Final

from django.conf import settings
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.utils import timezone

from .outbox import Event

MOST_KINDS: Final = 40
LONGEST_URL: Final = 1_000
LONGEST_SECRET_BYTES: Final = 400


class Subscription(models.Model):
    """Events pushed to a URL: those that its owner may see when they are sent, narrowed."""

    class State(models.TextChoices):
        ON = "on", "on"
        OFF = "off", "off"

    class Reason(models.TextChoices):
        """Why it is off."""

        ASKED = "asked", "somebody switched it off"
        GONE = "gone", "the receiver answered 410 Gone"
        FAILING = "failing", "every attempt failed for five days"

    owner = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    name = models.CharField(max_length=120)
    url = models.CharField(max_length=LONGEST_URL)
    kinds = ArrayField(
        models.CharField(max_length=60), blank=True, default=list, help_text="Empty: every kind."
    )
    customers = models.ManyToManyField("sites.Customer", blank=True, db_table="subscription_customer")
    narrowed = models.BooleanField(
        default=False, help_text="True: only the listed customers, even when none is left."
    )
    least_severity = models.CharField(
        max_length=20,
        blank=True,
        help_text="Send cases of this severity or more; blank: all cases.",
    )
    telephones = models.BooleanField(default=False)
    secret = models.BinaryField(max_length=LONGEST_SECRET_BYTES, editable=False)
    old_secret = models.BinaryField(max_length=LONGEST_SECRET_BYTES, null=True, editable=False)
    old_secret_until = models.DateTimeField(
        null=True, editable=False, help_text="Until then the secret before signs too."
    )
    state = models.CharField(max_length=3, choices=State.choices, default=State.ON)
    off_because = models.CharField(max_length=10, choices=Reason.choices, blank=True)
    state_since = models.DateTimeField(default=timezone.now)
    failing_since = models.DateTimeField(null=True, help_text="The first failure since the last success.")
    paused_until = models.DateTimeField(null=True, help_text="How long the receiver asked us to wait.")
    position = models.BigIntegerField(default=0, help_text="The last event that deliveries were made of.")
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    version = models.BigIntegerField(default=1, editable=False)

    class Meta:
        db_table = "subscription"
        constraints = [
            models.CheckConstraint(
                condition=Q(kinds__len__lte=MOST_KINDS), name="subscription_kinds_at_most_40"
            ),
            models.CheckConstraint(
                condition=Q(state="on", off_because="") | (Q(state="off") & ~Q(off_because="")),
                name="subscription_off_with_a_reason",
            ),
        ]


class Delivery(models.Model):
    """One event for one subscription. Of a subject, one is sent at a time, in the order of the events: only
    the first that waits has a time for its next attempt."""

    class State(models.TextChoices):
        WAITING = "waiting", "waiting"
        DELIVERED = "delivered", "delivered"
        DEAD = "dead", "given up"
        WITHHELD = "withheld", "not sent, since the owner may no longer see it"

    subscription = models.ForeignKey(
        Subscription, on_delete=models.CASCADE, related_name="deliveries", db_index=False
    )
    event = models.ForeignKey(
        "sites.Event", on_delete=models.CASCADE, related_name="+", null=True, help_text="Null: a test."
    )
    uid = models.UUIDField(help_text="What the receiver knows it by, however often it is sent.")
    subject = models.CharField(max_length=Event.LONGEST_SUBJECT)
    sequence = models.BigIntegerField(help_text="That of the event; of a test, the last one before it.")
    state = models.CharField(max_length=10, choices=State.choices, default=State.WAITING)
    attempts = models.PositiveIntegerField(default=0)
    failures = models.PositiveIntegerField(default=0, help_text="Attempts that count: none that was cut off.")
    next_attempt_at = models.DateTimeField(
        null=True, help_text="Null while it waits: for one before it, of the same subject."
    )
    lease = models.UUIDField(null=True, help_text="The lease of the sender that works on it.")
    leased_until = models.DateTimeField(null=True)
    created_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        db_table = "delivery"
        constraints = [
            models.UniqueConstraint(fields=["subscription", "event"], name="delivery_once_an_event"),
        ]
        indexes = [
            models.Index(
                fields=["subscription", "next_attempt_at"],
                condition=Q(state="waiting", next_attempt_at__isnull=False),
                name="delivery_due",
            ),
            models.Index(
                fields=["subscription", "subject", "sequence"],
                condition=Q(state="waiting"),
                name="delivery_by_subject",
            ),
            models.Index(
                fields=["subscription"], condition=Q(lease__isnull=False), name="delivery_in_flight"
            ),
            models.Index(fields=["subscription", "id"], name="delivery_of_subscription"),
        ]


class DeliveryAttempt(models.Model):
    """One attempt to send: written before it, and completed after it."""

    class Outcome(models.TextChoices):
        """What went wrong, where no whole answer came, or ours did not go out."""

        NONE = "", "an answer came"
        UNDER_WAY = "under_way", "the receiver has not answered yet"
        CUT_OFF = "cut_off", "Zonebook was stopped before an answer came"
        URL = "url", "no push may go to this URL"
        ADDRESS = "address", "the host has an address that no push may go to"
        HOST = "host", "the name of the host has no address"
        CONNECTION = "connection", "no connection, or it broke off"
        TLS = "tls", "no TLS connection: the certificate is not one of this host, or not trusted"
        TIMEOUT = "timeout", "no whole answer in time"
        PROTOCOL = "protocol", "the answer was not HTTP, or broke off"
        SECRET = "secret", "no key opens the secret; replace it"

    delivery = models.ForeignKey(Delivery, on_delete=models.CASCADE, related_name="tries")
    at = models.DateTimeField()
    error = models.CharField(max_length=12, choices=Outcome.choices, blank=True, default=Outcome.UNDER_WAY)
    status = models.PositiveSmallIntegerField(null=True, help_text="Of HTTP; null: no whole answer.")
    duration_ms = models.PositiveIntegerField(null=True)

    class Meta:
        db_table = "delivery_attempt"
