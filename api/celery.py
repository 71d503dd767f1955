"""The Celery application. Its messages only wake workers: the database is the queue (DEVELOPERS.md), so a
lost message costs seconds and no result. Without CELERY_BROKER_URL no broker is contacted, and the sweeper
does the work."""

import os
from typing import Any

from celery import Celery, bootsteps
from celery.signals import celeryd_init
from django.conf import settings
from django.core.exceptions import ImproperlyConfigured

from zones.recheck.alive import ALIVE_EVERY_S, touch

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

app = Celery("zonebook")
app.config_from_object("django.conf:settings", namespace="CELERY")
try:
    broker_url = settings.CELERY_BROKER_URL
except ImproperlyConfigured as error:
    raise SystemExit(f"celery: error: {error}") from None
if not broker_url:
    app.conf.broker_url = "memory://"  # Celery's own default is a RabbitMQ on this machine


class Alive(bootsteps.StartStopStep):
    """Touches the file of `ZONEBOOK_ALIVE_FILE` from the worker's own loop, for a supervisor to look at: a
    worker that is stuck or frozen does not."""

    requires = {"celery.worker.components:Timer"}

    def __init__(self, worker: Any, **kwargs: Any) -> None:
        self.repeated: Any = None
        super().__init__(worker, **kwargs)

    def start(self, worker: Any) -> None:
        touch()
        self.repeated = worker.timer.call_repeatedly(ALIVE_EVERY_S, touch)

    def stop(self, _worker: Any) -> None:
        if self.repeated is not None:
            self.repeated.cancel()


app.steps["worker"].add(Alive)
app.autodiscover_tasks(["zones.recheck"])


@celeryd_init.connect
def refuse_to_work_unfit(**_signal: Any) -> None:
    """Stop a worker with an unfit configuration before its first task. Celery only logs other exceptions of a
    signal receiver, hence SystemExit."""
    from api.database.rules import look_at_start

    if not settings.CELERY_BROKER_URL:
        raise SystemExit(
            "CELERY_BROKER_URL is not set, so no message reaches a worker. Set it, or run `manage.py sweep "
            "--loop` instead of a worker."
        )
    try:
        look_at_start()
    except ImproperlyConfigured as error:
        raise SystemExit(str(error)) from error
