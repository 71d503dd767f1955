"""The web server's log lines: those of the service's other processes in shape, each request's with its id."""

from __future__ import annotations

import datetime as dt
import logging
import logging.config
import re
from typing import Any, Final

import structlog
from gunicorn import glogging

from api.settings import LOGGING

HEADER: Final = "x-request-id"
_WITH_A_KEY: Final = re.compile(r"/calendars/.+")


def without_key(path: str) -> str:
    """A path as a log shows it: who reads a calendar's address there could read the calendar.

    >>> without_key("/calendars/9fQx.ics"), without_key("/sites/4")
    ('/calendars/…', '/sites/4')
    """
    return _WITH_A_KEY.sub("/calendars/…", path) if path.startswith("/calendars/") else path


class Logger(glogging.Logger):
    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        logging.config.dictConfig(LOGGING)
        for log in (self.error_log, self.access_log):
            log.handlers.clear()
            log.propagate = True

    def access(self, resp: Any, req: Any, environ: dict[str, Any], request_time: dt.timedelta) -> None:  # noqa: ARG002
        """One line a request. The path has no query, which may hold what is private."""
        if not self.access_log_enabled:
            return
        request_id = next((value for name, value in resp.headers if name.lower() == HEADER), None)
        structlog.get_logger("gunicorn.access").info(
            "request",
            request_id=request_id,
            method=environ.get("REQUEST_METHOD"),
            path=without_key(environ.get("PATH_INFO") or ""),
            status=resp.status_code,
            bytes=resp.sent,
            ms=round(request_time.total_seconds() * 1000, 1),
            client=environ.get("REMOTE_ADDR"),
        )
