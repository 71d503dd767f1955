"""How long a request may wait for locks of the database: one thread of a web server never waits long.

The requests that a process answers at once are as many as its threads. All but the last of them wait for a
lock as long as ``ZONEBOOK_LOCK_TIMEOUT_S`` allows. The one that came when all other threads were busy waits a
moment only: where it does not get its lock, it is answered with a 503 and its thread is free again. So behind
a table that somebody has locked, requests for other things go on. A request that computes for long waits for
no lock, and is left alone.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final

from django.conf import settings
from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse

MOMENT_MS: Final = 250


class PatienceMiddleware:
    """1. Count the request in, and take one of the places of those who may wait, if there is one.
    2. Without a place: the first statement of the request shortens the session's patience.
    3. Afterwards give the session its patience back, and the place to another."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response
        self.places = threading.BoundedSemaphore(max(settings.REQUEST_THREADS - 1, 1))

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if self.places.acquire(blocking=False):
            try:
                return self.get_response(request)
            finally:
                self.places.release()
        impatient = _Impatient()
        try:
            with connection.execute_wrapper(impatient):
                return self.get_response(request)
        finally:
            impatient.restore()


class _Impatient:
    """Shortens ``lock_timeout`` before the first statement: a request without any needs no database."""

    def __init__(self) -> None:
        self.session: Any = None

    def __call__(self, execute: Callable[..., Any], sql: str, params: Any, many: bool, context: Any) -> Any:
        if self.session is None:
            self.session = connection.connection
            execute(f"SET lock_timeout = {MOMENT_MS}", None, False, context)
        return execute(sql, params, many, context)

    def restore(self) -> None:
        if self.session is None or connection.connection is not self.session:
            return  # a new session begins with its own patience
        try:
            with connection.cursor() as cursor:
                cursor.execute("RESET lock_timeout")
        except DatabaseError:
            connection.close()
