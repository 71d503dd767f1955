"""Lines of the web server: each request's has the id that its answer has."""

from __future__ import annotations

import json

import httpx
import pytest

from tests.resilience.conftest import Processes
from tests.resilience.serving import start_server

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def test_the_access_log_has_the_ids_of_requests_and_no_query(processes: Processes) -> None:
    server, url = start_server(
        processes,
        options=("--access-logfile", "-"),
        ZONEBOOK_LOG_FORMAT="json",
    )
    sent = httpx.get(f"{url}/api/v1/problems?secret=1", headers={"X-Request-ID": "call-17"})
    made = httpx.get(f"{url}/nowhere")
    server.until(lambda: made.headers["X-Request-ID"] in server.said)
    lines = [json.loads(line) for line in server.said.splitlines()]
    by_id = {line["request_id"]: line for line in lines if line["event"] == "request"}
    shown = {name: by_id["call-17"][name] for name in ("method", "path", "status", "client", "logger")}
    assert shown == {
        "method": "GET",
        "path": "/api/v1/problems",
        "status": sent.status_code,
        "client": "127.0.0.1",
        "logger": "gunicorn.access",
    }
    assert by_id[made.headers["X-Request-ID"]]["status"] == 404
    assert "secret=1" not in server.said
    assert all(line["timestamp"] and line["level"] for line in lines)  # gunicorn's own too
