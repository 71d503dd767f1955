"""After a commit, tell a Celery worker to look now. Nothing rests on it: a sweeper looks anyway."""

from __future__ import annotations

import atexit
import os
import threading

import structlog
from django.conf import settings
from django.db import transaction

from sites.models.changes import ChangeSet

log = structlog.get_logger(__name__)

EXPIRES_S = 60
"""A worker that comes later finds nothing that the sweeper has not done."""
EXIT_WAIT_S = 2.0
"""A command that ends waits this long for its message to go."""


class _Teller:
    """Publishes from a thread of its own, so that a broker that is away delays no request. One message tells
    as much as many: whatever was committed before it goes is told by it."""

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.asked = self.told = 0
        # A daemon, so that a broker that never answers does not keep the process from ending
        threading.Thread(target=self._run, name="nudge", daemon=True).start()
        atexit.register(self.finish)

    def tell(self) -> None:
        with self.changed:
            self.asked += 1
            self.changed.notify_all()

    def finish(self, timeout_s: float = EXIT_WAIT_S) -> bool:
        """Wait until all that was asked for is told, or the time is over. Returns whether it is."""
        with self.changed:
            return self.changed.wait_for(lambda: self.told == self.asked, timeout_s)

    def _run(self) -> None:
        while True:
            with self.changed:
                self.changed.wait_for(lambda: self.told < self.asked)
                asked = self.asked
            _publish()
            with self.changed:
                self.told = asked
                self.changed.notify_all()


def _publish() -> None:
    # Late, so that a process that never tells does not load Celery
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
