"""The task of a Celery worker: the same as the sweeper."""

from __future__ import annotations

from typing import Any

import structlog
from celery import shared_task

from zones.recheck.sweep import sweep

log = structlog.get_logger(__name__)


@shared_task(name="zones.recheck.look", bind=True)
def look(task: Any) -> None:
    """Recompute what is marked. The lines that this logs have the ids of the requests that asked for it."""
    with structlog.contextvars.bound_contextvars(request_ids=task.request.get("request_ids") or []):
        swept = sweep()
        log.info("looked", checked=swept.checked, failed=len(swept.failed))
