"""What the conventions keep: how many requests each caller has made in the present window."""

from __future__ import annotations

from django.db import models


class RequestWindow(models.Model):
    """One row a caller. The table is unlogged: after a crash it is empty, and everyone's window begins
    anew."""

    caller = models.CharField(max_length=40, primary_key=True)
    window = models.BigIntegerField(help_text="Number of the window since 1970.")
    used = models.IntegerField()

    class Meta:
        db_table = "request_window"
