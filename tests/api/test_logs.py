"""Logs: one JSON object a line, from every library, and nothing that a person sent."""

import io
import json
import logging
import logging.config
import uuid
from collections.abc import Iterator

import pytest
import structlog
from django.conf import settings
from django.test import RequestFactory

from api import logs
from tests.api.conftest import logged


@pytest.fixture
def lines() -> Iterator[io.StringIO]:
    with logged("INFO") as stream:
        yield stream


def test_ours_and_a_librarys_look_alike(lines: io.StringIO) -> None:
    with structlog.contextvars.bound_contextvars(request_id="r-1"):
        structlog.stdlib.get_logger("zones").info("rechecked", site_id=7)
        logging.getLogger("some.library").warning("said %s", "this")
    ours, theirs = (json.loads(line) for line in lines.getvalue().splitlines())
    assert (ours["event"], ours["site_id"], ours["request_id"]) == ("rechecked", 7, "r-1")
    assert (theirs["event"], theirs["level"], theirs["request_id"]) == ("said this", "warning", "r-1")
    assert ours["timestamp"].endswith("Z")


def test_a_request_is_not_written_out(lines: io.StringIO) -> None:
    request = RequestFactory().post("/", {"door_code": "1234"})
    logging.getLogger("django.request").error("failed", extra={"request": request, "status_code": 500})
    (line,) = lines.getvalue().splitlines()
    assert json.loads(line)["status_code"] == 500
    assert "request" not in json.loads(line)


@pytest.mark.parametrize(("level", "said"), [("ERROR", 0), ("WARNING", 1), ("DEBUG", 2)])
def test_the_level_is_that_of_libraries_too(level: str, said: int) -> None:
    with logged(level) as stream:
        logging.getLogger("django.request").warning("refused")
        logging.getLogger("django.server").debug("asked")
    assert len(stream.getvalue().splitlines()) == said


def test_an_error_is_one_line(lines: io.StringIO) -> None:
    try:
        int("no number")
    except ValueError:
        logging.getLogger("zones").exception("stopped")
    (line,) = lines.getvalue().splitlines()
    assert json.loads(line)["exception"][0]["exc_type"] == "ValueError"


@pytest.mark.parametrize("log_format", ["json", "console"])
def test_a_traceback_holds_no_local_variables(log_format: str) -> None:
    door_code = str(uuid.uuid4())
    with logged("INFO", log_format) as stream:
        try:
            _fail(door_code)
        except LookupError:
            logging.getLogger("zones").exception("failed")
    assert "no such closet" in stream.getvalue()
    assert door_code not in stream.getvalue()


@pytest.mark.parametrize("terminal", [True, False])
def test_colour_is_for_a_terminal_only(terminal: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = io.StringIO()
    monkeypatch.setattr(stream, "isatty", lambda: terminal)
    monkeypatch.setattr("sys.stderr", stream)
    logging.config.dictConfig(logs.configure("console", "INFO"))
    try:
        logging.getLogger("zones").warning("swept")
    finally:
        logging.config.dictConfig(settings.LOGGING)
    assert "swept" in stream.getvalue()
    assert ("\x1b[" in stream.getvalue()) is terminal


def _fail(door_code: str) -> None:
    raise LookupError("no such closet" if door_code else "")
