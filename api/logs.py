"""Logs: one line an event, with the request's id; JSON, or colour on a terminal."""

import sys
from typing import Any

import structlog


def configure(log_format: str, level: str) -> dict[str, Any]:
    """The LOGGING setting, with structlog configured so that our lines and those of libraries look alike."""
    shared: list[structlog.types.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_logger_name,
        structlog.stdlib.add_log_level,
        structlog.stdlib.PositionalArgumentsFormatter(),
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.stdlib.ExtraAdder(),
        _keep_plain,
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    # Tracebacks have no local variables: they could hold a door code or a request's data
    last: list[structlog.types.Processor]
    if log_format == "json":
        tracebacks = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
        last = [
            structlog.processors.ExceptionRenderer(tracebacks),
            structlog.processors.JSONRenderer(default=str),
        ]
    else:
        colours = sys.stderr.isatty() and sys.platform != "win32"
        last = [
            structlog.dev.ConsoleRenderer(colors=colours, exception_formatter=structlog.dev.plain_traceback)
        ]
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "line": {
                "()": structlog.stdlib.ProcessorFormatter,
                "foreign_pre_chain": shared,
                "processors": [structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last],
            },
        },
        "handlers": {"stderr": {"class": "logging.StreamHandler", "formatter": "line"}},
        "root": {"handlers": ["stderr"], "level": level},
        # Django's handlers would repeat every line, and its level would override ours
        "loggers": {
            name: {"handlers": [], "propagate": True, "level": "NOTSET"}
            for name in ("django", "django.server")
        },
    }


def _keep_plain(_logger: Any, _method: str, event: structlog.types.EventDict) -> structlog.types.EventDict:
    """The event without the request and response that Django attaches, which hold a request's data."""
    for name in ("request", "response", "server_time"):
        event.pop(name, None)
    return event
