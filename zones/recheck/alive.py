"""A sign of life in a file, for a supervisor: how old it is tells whether a sweeper or worker still turns."""

from __future__ import annotations

from pathlib import Path

from django.conf import settings

ALIVE_EVERY_S = 10.0


def touch() -> None:
    """Touch the file that ``ZONEBOOK_ALIVE_FILE`` names, if any."""
    if settings.ALIVE_FILE:
        Path(settings.ALIVE_FILE).touch()
