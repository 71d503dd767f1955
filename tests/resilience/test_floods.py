"""Much at once: many who change one version, and requests larger than any that is meant."""

from __future__ import annotations

import contextlib
import json
import os
import select
import socket
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import httpx
import pytest

from sites.access.services import token_make
from sites.models import Closet, User
from sites.models.changes import ChangeSet
from tests import factories
from tests.resilience.conftest import LONG_S, Process, Processes
from tests.resilience.serving import start_server

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

AT_ONCE = 50
MEGABYTE = 1024 * 1024
MOST_GROWTH = 14 * MEGABYTE
"""Less than half of what was sent, and more than the largest body that is taken, 4 MiB, as bytes, text and
values."""


def bearer(user: User) -> dict[str, str]:
    _, secret = token_make(user=user, scopes=["record:read", "record:write"])
    return {"Authorization": f"Bearer {secret}"}


def test_of_fifty_who_change_one_version_one_does(processes: Processes, manager: User) -> None:
    _, url = start_server(processes, workers=2)
    headers = bearer(manager)
    closet = factories.make_closet(factories.make_site())
    address = f"{url}/api/v1/closets/{closet.pk}"
    etag = httpx.get(address, headers=headers).headers["ETag"]
    before = ChangeSet.objects.count()
    together = Barrier(AT_ONCE, timeout=LONG_S)

    def change(number: int) -> int:
        body = {"name": f"closet {number}", "change": {"reason": "survey"}}
        together.wait()
        while True:
            answer = httpx.patch(address, json=body, headers={**headers, "If-Match": etag}, timeout=LONG_S)
            if answer.status_code != 503:  # all threads of the server were busy
                return answer.status_code

    with ThreadPoolExecutor(AT_ONCE) as pool:
        statuses = sorted(pool.map(change, range(AT_ONCE)))
    assert statuses == [200] + [412] * (AT_ONCE - 1)
    assert ChangeSet.objects.count() == before + 1
    assert Closet.objects.get(pk=closet.pk).name.startswith("closet ")


def test_what_is_far_too_large_is_refused_and_takes_no_memory(
    processes: Processes, manager: User, pytestconfig: pytest.Config
) -> None:
    """Bodies of 100 MB (30 without `--long`), JSON in 100,000 levels, as many parameters."""
    megabytes = 100 if pytestconfig.getoption("--long") else 30
    process, url = start_server(processes, options=["--threads", "2"])
    headers = bearer(manager)

    def post(*parts: bytes) -> int:
        return send(url, "POST", "closets", headers, parts)

    half_full = json.dumps({"name": "x" * 2 * MEGABYTE}).encode()
    for _ in range(6):  # what a process loads and takes once
        assert post(half_full) == 400
    before = peak_bytes(process)
    assert post(b'{"name": "', *[b"x" * MEGABYTE] * megabytes, b'"}') == 413
    for opening in (b"[", b'{"name":'):
        assert post(opening * 100_000) == 400
    many = "&".join(f"n{number}=1" for number in range(100_000))
    assert 400 <= send(url, "GET", f"closets?{many}", headers, ()) < 500
    assert peak_bytes(process) - before < MOST_GROWTH
    assert httpx.get(f"{url}/api/v1/closets", headers=headers).status_code == 200


def send(url: str, method: str, path: str, headers: dict[str, str], parts: Sequence[bytes]) -> int:
    """The status of an answer, which may come before all is sent."""
    port = int(url.rpartition(":")[2])
    head = [f"{method} /api/v1/{path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close"]
    head += [f"{name}: {value}" for name, value in headers.items()]
    head += ["Content-Type: application/json", f"Content-Length: {sum(map(len, parts))}"]
    with socket.create_connection(("127.0.0.1", port), timeout=LONG_S) as client:
        with contextlib.suppress(ConnectionError):
            client.sendall("\r\n".join([*head, "", ""]).encode())
            for part in parts:
                if select.select([client], [], [], 0)[0]:
                    break
                client.sendall(part)
        return int(client.recv(12).split()[1])


def peak_bytes(process: Process) -> int:
    """The most memory that each of its processes ever had, summed."""
    total = 0
    for status in Path("/proc").glob("[0-9]*/status"):
        with contextlib.suppress(OSError):
            if os.getpgid(int(status.parent.name)) == process.popen.pid:
                lines = dict(line.split(":", 1) for line in status.read_text(encoding="ascii").splitlines())
                total += int(lines["VmHWM"].split()[0]) * 1024
    assert total > 0
    return total
