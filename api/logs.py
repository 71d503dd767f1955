"""Logs: one line an event, with the request's id; JSON for machines, colour for a terminal."""

import sys
from typing import Any

import structlog


def configure(log_format: str, level: str) -> dict[str, Any]:
    """Set structlog up and give the LOGGING setting, so that a line of ours and one of a library's look
    alike."""
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
    # Tracebacks without local variables: those may hold a door code, or what a person sent
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
        # Django's own handlers would say everything twice, and its own level would hide ours
        "loggers": {
            name: {"handlers": [], "propagate": True, "level": "NOTSET"}
            for name in ("django", "django.server")
        },
    }


def _keep_plain(_logger: Any, _method: str, event: structlog.types.EventDict) -> structlog.types.EventDict:
    """Drop what Django attaches to a record besides its message: the request and its response, which hold
    whatever a person sent."""
    for name in ("request", "response", "server_time"):
        event.pop(name, None)
    return event
