"""The outermost room: settings, REST, the demo, operations."""

import importlib
import threading

from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "api"
    label = "api"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from django.conf import settings
        from django.core.signals import request_finished, request_started
        from django.db.backends.signals import connection_created

        from api.conventions.authentication import note_use
        from api.database.commits import forget_commits
        from api.database.rules import refuse_unfit_database
        from api.events.publisher import publish
        from api.monitoring.retention import forget_old
        from zones.recheck.sweep import beside_sweep, on_sweep

        connection_created.connect(refuse_unfit_database, dispatch_uid="refuse_unfit_database")
        request_started.connect(forget_commits, dispatch_uid="forget_commits")
        on_sweep(publish)
        on_sweep(forget_old)
        beside_sweep(_push_until, _push_once)
        request_finished.connect(note_use, dispatch_uid="note_use")
        if settings.CELERY_BROKER_URL:
            # Tasks are sent by our Celery application, not by Celery's default one
            importlib.import_module("api.celery")


# Only who sends needs what sends


def _push_until(stop: threading.Event) -> None:
    from api.events.sender import send_until

    send_until(stop)


def _push_once(stop: threading.Event) -> None:
    from api.events.sender import send_due

    send_due(stop)
