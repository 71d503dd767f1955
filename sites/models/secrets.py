"""Door and alarm codes: encrypted, apart from everything else, revealed one at a time, each reveal logged.

They are in no change row, list, event, export, PDF, search or log. What those say is ``Closet.key_location``.
"""

from __future__ import annotations

from django.conf import settings
from django.db import models


class Secret(models.Model):
    class Kind(models.TextChoices):
        DOOR = "door", "door code"
        ALARM = "alarm", "alarm code"
        OTHER = "other", "other code"

    site = models.ForeignKey("sites.Site", on_delete=models.PROTECT, related_name="+")
    closet = models.ForeignKey(
        "sites.Closet",
        on_delete=models.PROTECT,
        related_name="secrets",
        null=True,
        blank=True,
        db_constraint=False,
    )
    kind = models.CharField(max_length=10, choices=Kind.choices)
    label = models.CharField(max_length=80, help_text="What it opens; never the code.")
    ciphertext = models.BinaryField(editable=False)
    written_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    written_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        db_table = "secret"
        constraints = [models.UniqueConstraint(fields=["site", "label"], name="secret_label_once_a_site")]


class SecretReveal(models.Model):
    """Append-only: who was shown which secret, when, and why."""

    secret = models.ForeignKey(Secret, on_delete=models.PROTECT, related_name="reveals")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    reason = models.TextField()
    revealed_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        db_table = "secret_reveal"
