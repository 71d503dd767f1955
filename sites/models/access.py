"""Users, their roles and the customers they are granted; tokens of programs."""

from __future__ import annotations

from typing import Final

from django.contrib.auth.models import AbstractUser
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower, Now
from django.utils.crypto import salted_hmac

from sites import fields

from .rows import Row

MOST_SCOPES: Final = 40
"""Most scopes of a token; fewer exist."""


class User(AbstractUser, Row):
    class Role(models.TextChoices):
        MANAGER = "manager", "manager"
        DISPATCHER = "dispatcher", "dispatcher"
        TECHNICIAN = "technician", "technician"
        READER = "reader", "reader"

    role = models.CharField(max_length=12, choices=Role.choices, default=Role.READER)
    all_customers = models.BooleanField(
        default=False, help_text="Granted every customer, those to come included."
    )
    sessions_ended = models.IntegerField(
        default=0, db_default=0, editable=False, help_text="How often all their sessions were ended."
    )
    version = models.BigIntegerField(default=1, db_default=1, editable=False)

    class Meta:
        db_table = "account"
        constraints = [
            models.UniqueConstraint(Lower("username"), name="account_username_once"),
            models.CheckConstraint(
                condition=~Q(role="reader", all_customers=True), name="user_reader_has_own_customers_only"
            ),
        ]

    def _get_session_auth_hash(self, secret: str | None = None) -> str:
        """As Django makes it, of the password; and of how often their sessions were ended, so that none of
        these comes back to life with its user. 0 is left out: a session from before there was a count goes
        on."""
        count = str(self.sessions_ended) if self.sessions_ended else ""
        salt = "django.contrib.auth.models.AbstractBaseUser.get_session_auth_hash"
        return salted_hmac(salt, self.password + count, secret=secret, algorithm="sha256").hexdigest()


class PersonRemoval(models.Model):
    """Append-only: whose name was taken out of the record; by whom, when, why. Inserting the row is the
    removal: its trigger does it (`sites.changes.sql_v2.removal`)."""

    user = models.OneToOneField(User, on_delete=models.PROTECT, primary_key=True, related_name="removal")
    removed_by = models.ForeignKey(
        User, on_delete=models.PROTECT, null=True, blank=True, related_name="+", db_index=False
    )
    actor = fields.LineField(max_length=150, help_text="Who removed them, as a person reads it.")
    reason = fields.NoteField(max_length=2000, blank=False)
    removed_at = models.DateTimeField(db_default=Now())
    rows_changed = models.JSONField(
        default=dict, help_text="How many rows of each table named the person, or had details of theirs."
    )

    class Meta:
        db_table = "person_removal"


class Grant(models.Model):
    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="grants")
    customer = models.ForeignKey("sites.Customer", on_delete=models.CASCADE, related_name="grants")

    class Meta:
        db_table = "customer_grant"
        constraints = [models.UniqueConstraint(fields=["user", "customer"], name="grant_once")]


class Token(Row):
    """A program's bearer token. Only its SHA-256 is kept: the secret has 256 random bits, so it needs no slow
    hash."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="tokens")
    name = models.CharField(max_length=120, blank=True)
    digest = models.CharField(max_length=64, unique=True, editable=False)
    scopes = ArrayField(models.CharField(max_length=40))
    customers = models.ManyToManyField(
        "sites.Customer",
        blank=True,
        db_table="token_customer",
        help_text="Narrows the user's grants; none: all of them.",
    )
    narrowed = models.BooleanField(
        default=False, help_text="True: only the listed customers, even when none is left."
    )
    created_at = models.DateTimeField(auto_now_add=True)
    last_used_at = models.DateTimeField(null=True, blank=True)
    expires_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        db_table = "token"
        constraints = [
            models.CheckConstraint(condition=Q(scopes__len__lte=MOST_SCOPES), name="token_scopes_at_most_40"),
        ]


class Calendar(models.Model):
    """What its owner may see now, at an address that needs no log-in. Only the SHA-256 of the key in the
    address is kept: the key has 256 random bits, so it needs no slow hash."""

    owner = models.ForeignKey(User, on_delete=models.CASCADE, related_name="calendars")
    name = models.CharField(max_length=120)
    digest = models.CharField(max_length=64, unique=True, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        db_table = "calendar"
