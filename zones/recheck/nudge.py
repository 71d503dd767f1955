"""After a commit, notify a Celery worker to look now. Nothing depends on it: a sweeper looks anyway."""

from __future__ import annotations

import atexit
import os
import threading

import structlog
from django.db import transaction

log = structlog.get_logger(__name__)

EXPIRES_S = 60
"""By then a sweeper has done it."""
MOST_IDS = 100
"""Most request ids that a message carries for the log of its worker."""
EXIT_WAIT_S = 2.0
"""A command that ends waits this long for its message to go."""


class _Publisher:
    """Publishes from a thread of its own, so that a broker that is away delays no request. One message is
    enough for all that was committed before it is sent."""

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.asked = self.sent = 0
        self.request_ids: list[str] = []
        # A daemon, so that a broker that never answers does not keep the process from ending
        threading.Thread(target=self._run, name="nudge", daemon=True).start()
        atexit.register(self.finish)

    def ask(self, request_id: str | None) -> None:
        with self.changed:
            self.asked += 1
            if request_id and len(self.request_ids) < MOST_IDS:
                self.request_ids.append(request_id)
            self.changed.notify_all()

    def finish(self, timeout_s: float = EXIT_WAIT_S) -> bool:
        """Wait until all that was asked for is sent, or the time is over. Returns whether it is sent."""
        with self.changed:
            return self.changed.wait_for(lambda: self.sent == self.asked, timeout_s)

    def _run(self) -> None:
        while True:
            with self.changed:
                self.changed.wait_for(lambda: self.sent < self.asked)
                asked = self.asked
                request_ids, self.request_ids = self.request_ids, []
            _publish(request_ids)
            with self.changed:
                self.sent = asked
                self.changed.notify_all()


def _publish(request_ids: list[str]) -> None:
    # Late, so that a process that never publishes does not load Celery
    from zones.recheck.tasks import look

    try:
        look.apply_async(
            retry=False, expires=EXPIRES_S, ignore_result=True, headers={"request_ids": request_ids}
        )
    except Exception as error:  # noqa: BLE001 - a broker that is away makes its client raise many kinds
        log.warning(
            "no worker could be notified", why=f"{type(error).__name__}: {error}", request_ids=request_ids
        )


_publisher: _Publisher | None = None


def nudge_after_commit(**_sent: object) -> None:
    """Receiver of ``change_set_accepted``, where there is a broker: notify a worker once the change
    is committed."""
    transaction.on_commit(nudge)


def nudge() -> None:
    """Notify a worker to look now, without waiting for the broker."""
    global _publisher
    if _publisher is None:
        _publisher = _Publisher()
    _publisher.ask(structlog.contextvars.get_contextvars().get("request_id"))


def _forget() -> None:
    # A server that forks its workers leaves the thread behind
    global _publisher
    _publisher = None


os.register_at_fork(after_in_child=_forget)
