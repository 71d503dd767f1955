"""Settings of gunicorn: `gunicorn --config python:api.server.config`. Options on its command line win."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

from django.core.exceptions import ImproperlyConfigured

from api.server.times import Parts, times

try:
    from api.settings import IN_PRODUCTION, REQUEST_PROCESSES, REQUEST_THREADS
except ImproperlyConfigured as error:
    # Here, and not from each worker, so that it is said once and in one line
    print(f"gunicorn: error: {error}", file=sys.stderr)  # noqa: T201
    raise SystemExit(1) from None

wsgi_app = "api.wsgi"
bind = ["127.0.0.1:8000"]
workers = REQUEST_PROCESSES
worker_class = "api.server.worker.Worker"
threads = REQUEST_THREADS
worker_connections = 1000

# Seconds. A worker whose main loop has not turned for `timeout` is replaced; how long clients may take is in
# `api.server.worker`; a stop waits `graceful_timeout` for answers under way
timeout = 30
graceful_timeout = 25
keepalive = 15

limit_request_line = 8190
limit_request_fields = 64
limit_request_field_size = 8190

logger_class = "api.server.lines.Logger"
accesslog = "-" if IN_PRODUCTION else None
control_socket_disable = True
# Its heartbeat is a file, which on a busy disk can wait
worker_tmp_dir = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108


_parts = Parts()


def pre_fork(_server: Any, worker: Any) -> None:
    worker.part = _parts.take()
    times.take(worker.part)


def child_exit(_server: Any, worker: Any) -> None:
    _parts.give_back(worker.part)


def on_reload(_server: Any) -> None:
    times.forget()


def on_starting(_server: Any) -> None:
    """In the first process, so that it is said once."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "api.settings")

    from api.monitoring.environment import say_what_it_is

    say_what_it_is()
