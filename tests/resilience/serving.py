"""A web server as it is deployed, on the test's database."""

from __future__ import annotations

from collections.abc import Sequence

import httpx

from api.demo.processes import free_port
from tests.resilience.conftest import Process, Processes


def start_server(
    processes: Processes, *, workers: int = 1, options: Sequence[str] = (), **environment: str
) -> tuple[Process, str]:
    """The server, ready to answer, and its address."""
    port = free_port()
    url = f"http://127.0.0.1:{port}"
    server = processes.start(
        "gunicorn", "--config", "python:api.server.config", "--bind", f"127.0.0.1:{port}",
        "--workers", str(workers), *options, **environment,
    )  # fmt: skip
    server.until(lambda: is_ready(url))
    return server, url


def is_ready(url: str) -> bool:
    try:
        return httpx.get(f"{url}/readyz", timeout=5).status_code == 200
    except httpx.TransportError:
        return False
