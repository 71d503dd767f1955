"""Each process of the web server answers with the times of all of them."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from sites.access.services import token_make
from sites.models import User
from tests.resilience.conftest import Process, Processes
from tests.resilience.serving import is_ready, start_server

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]


def workers_of(server: Process) -> list[int]:
    children = Path(f"/proc/{server.popen.pid}/task/{server.popen.pid}/children").read_text()
    return [int(pid) for pid in children.split()]


def counted(url: str, headers: dict[str, str]) -> float:
    answer = httpx.get(f"{url}/metrics", headers=headers)
    return sum(
        one.value
        for family in text_string_to_metric_families(answer.text)
        for one in family.samples
        if one.name == "zonebook_request_seconds_count" and one.labels["route"] == "api/v1/problems"
    )


def test_all_processes_are_counted_and_none_is_lost_with_one(manager: User, processes: Processes) -> None:
    _, secret = token_make(user=manager, scopes=["admin"])
    headers = {"Authorization": f"Bearer {secret}"}
    server, url = start_server(processes, workers=2)
    for _ in range(30):  # a connection each, so that both have some
        assert httpx.get(f"{url}/api/v1/problems").status_code == 200
    assert {counted(url, headers) for _ in range(10)} == {30}
    before = workers_of(server)
    for pid in before:
        os.kill(pid, signal.SIGKILL)
    server.until(lambda: is_ready(url) and len(set(workers_of(server)) - set(before)) == 2)
    httpx.get(f"{url}/api/v1/problems")
    assert counted(url, headers) == 31
