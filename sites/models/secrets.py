"""Door and alarm codes: encrypted, apart from everything else, revealed one at a time, each reveal logged.

They are in no change row, list, event, export, PDF, search or log. What those say is ``Closet.key_location``.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone

from sites import fields


class Secret(models.Model):
    class Kind(models.TextChoices):
        DOOR = "door", "door code"
        ALARM = "alarm", "alarm code"
        OTHER = "other", "other code"

    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+")
    closet = fields.SiteKey("sites.Closet", place=True, related_name="secrets", null=True)
    kind = fields.WordField(Kind, max_length=10)
    label = fields.NameField(max_length=80, help_text="What it opens; never the code.")
    ciphertext = models.BinaryField(editable=False)
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    written_at = models.DateTimeField(default=timezone.now, editable=False)
    removed_at = models.DateTimeField(
        null=True, editable=False, help_text="When its last writer removed the code; it holds none then."
    )
    version = models.BigIntegerField(default=1, db_default=1, editable=False)

    class Meta:
        db_table = "secret"
        constraints = [models.UniqueConstraint("site", Lower("label"), name="secret_label_once_a_site")]


class SecretReveal(models.Model):
    """Append-only: who was shown which secret, when, and why."""

    secret = models.ForeignKey(Secret, on_delete=models.PROTECT, related_name="reveals")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    reason = fields.NoteField(max_length=2000, blank=False)
    revealed_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        db_table = "secret_reveal"
        indexes = [models.Index(fields=["revealed_at", "id"], name="secret_reveal_by_time")]
