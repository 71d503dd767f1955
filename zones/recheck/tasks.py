"""The task of a Celery worker: the same as the sweeper."""

from __future__ import annotations

from celery import shared_task

from zones.recheck.sweep import sweep


@shared_task(name="zones.recheck.look")
def look() -> None:
    """Recompute what is marked."""
    sweep()
