"""After a commit, tell a Celery worker to look now. Nothing rests on it: a sweeper looks anyway."""

from __future__ import annotations

import os
import threading
from concurrent.futures import ThreadPoolExecutor

import structlog
from django.conf import settings
from django.db import transaction

from sites.changes.models import ChangeSet

log = structlog.get_logger(__name__)

EXPIRES_S = 60
"""A worker that comes later finds nothing that the sweeper has not done."""


class _Teller:
    """Publishes from a thread of its own, so that a broker that is away delays no request. One message tells
    as much as many, so one at most waits."""

    def __init__(self) -> None:
        self.executor = ThreadPoolExecutor(max_workers=1, thread_name_prefix="nudge")
        self.waiting = threading.Lock()

    def tell(self) -> None:
        if self.waiting.acquire(blocking=False):
            self.executor.submit(self._publish)

    def _publish(self) -> None:
        # Let the next one in before the message goes: what is committed from here on may need one of its own
        self.waiting.release()
        from zones.recheck.tasks import look

        try:
            look.apply_async(retry=False, expires=EXPIRES_S, ignore_result=True)
        except Exception as error:  # noqa: BLE001 - whatever a broker and its client make of being away
            log.warning("no worker could be told", why=f"{type(error).__name__}: {error}")


_teller: _Teller | None = None


def nudge_after_commit(_change_set: ChangeSet) -> None:
    """Listener of ``sites.changes.listeners.on_accepted``: tell a worker once the change is committed."""
    if settings.CELERY_BROKER_URL:
        transaction.on_commit(nudge)


def nudge() -> None:
    """Tell a worker to look now, without waiting for the broker."""
    global _teller
    if _teller is None:
        _teller = _Teller()
    _teller.tell()


def _forget() -> None:
    # A thread does not come along when a server forks its workers
    global _teller
    _teller = None


os.register_at_fork(after_in_child=_forget)
