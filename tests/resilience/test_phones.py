"""Technicians' phones that send what they tested, in batches with keys, while the server is killed again and
again: each test is recorded once. A tenth of each batch without ``--long``."""

from __future__ import annotations

import random
import threading
import time
import uuid
from collections import Counter
from collections.abc import Sequence
from typing import Any

import httpx
import pytest

from api.demo.processes import free_port
from sites.access.services import token_make
from sites.models import ChangeSet, KeptAnswer, User
from tests import factories
from tests.halls import make_hall
from tests.resilience.conftest import Process, Processes
from tests.resilience.serving import is_ready
from zones.models import Run, Test

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

PHONES, BATCHES = 4, 20
A_BATCH, LONG_BATCH = 50, 500
LIFE_S = (2.0, 5.0)
"""So long a server answers before it is killed, but longer where it told nobody anything in its last life."""
SHORT_LIFE = (2, 4)
"""Without ``--long`` it is killed as soon as it recorded so many batches, while the others are under way."""
KINDS = [Test.Kind.CONTINUITY, Test.Kind.SHORTS, Test.Kind.POLARITY, Test.Kind.TONE_TRACE]


class Phone(threading.Thread):
    """Sends its batches one after the other, each until it is told that it is recorded."""

    def __init__(self, url: str, token: str, batches: Sequence[dict[str, Any]]) -> None:
        super().__init__()
        self.url, self.headers, self.batches = url, {"Authorization": f"Bearer {token}"}, batches
        self.asked: Counter[str] = Counter()
        self.told: list[int] = []
        self.amiss: list[str] = []

    def run(self) -> None:
        with httpx.Client(base_url=self.url, headers=self.headers, timeout=60.0) as client:
            for batch in self.batches:
                key = str(uuid.uuid4())
                while not self.amiss and not self._is_told(client, batch, key):
                    time.sleep(0.1)

    def _is_told(self, client: httpx.Client, batch: dict[str, Any], key: str) -> bool:
        try:
            answer = client.post("/api/v1/tests/bulk", json=batch, headers={"Idempotency-Key": key})
        except httpx.TransportError:  # the server was killed, or is not there yet
            self.asked["no answer"] += 1
            return False
        if answer.status_code in (409, 503):
            self.asked[answer.json()["code"]] += 1
            return False
        if answer.status_code != 201:
            self.amiss.append(answer.text)
            return False
        self.asked["given again"] += answer.headers.get("Idempotency-Replayed") == "true"
        self.told += [item["id"] for item in answer.json()["items"]]
        return True


def test_each_test_is_recorded_once_though_the_server_is_killed_again_and_again(
    processes: Processes, pytestconfig: pytest.Config
) -> None:
    long = bool(pytestconfig.getoption("--long"))
    size = LONG_BATCH if long else A_BATCH
    closet = factories.make_closet(factories.make_site())
    hall = make_hall(closet, factories.make_block(closet))
    batches = [_batch(f"batch {number}", [hall.run, hall.gangway_run], size) for number in range(BATCHES)]
    port = free_port()
    phones = []
    for number in range(PHONES):
        user = factories.make_user(User.Role.TECHNICIAN, all_customers=True)
        _, token = token_make(user=user, scopes=["record:read", "tests:write"])
        phones.append(Phone(f"http://127.0.0.1:{port}", token, batches[number::PHONES]))
    server = _serve(processes, port)
    began = time.monotonic()
    for phone in phones:
        phone.start()
    draw, kills, patience = random.Random(11), 0, 1.0
    while any(phone.is_alive() for phone in phones):
        before = _told(phones)
        enough = before + (BATCHES if long else draw.randint(*SHORT_LIFE)) * size
        until = time.monotonic() + draw.uniform(*LIFE_S) * patience
        while time.monotonic() < until and _told(phones) < enough and any(p.is_alive() for p in phones):
            time.sleep(0.02)
        if not any(phone.is_alive() for phone in phones):
            break
        server.kill()
        kills += 1
        patience = 1.0 if _told(phones) > before else patience * 1.5
        server = _serve(processes, port)
    took_s = time.monotonic() - began
    asked = sum((phone.asked for phone in phones), Counter[str]())
    print(f"{_told(phones)} tests in {took_s:.1f} s; {kills} kills; asked again: {dict(asked)}")
    assert [phone.amiss for phone in phones if phone.amiss] == []
    assert kills >= 3 if long else kills >= 2
    assert asked["no answer"] >= kills
    notes = Counter(Test.objects.values_list("note", flat=True))
    assert notes == Counter(item["note"] for batch in batches for item in batch["items"])
    assert set(notes.values()) == {1}
    told = sorted(pk for phone in phones for pk in phone.told)
    assert told == sorted(Test.objects.values_list("pk", flat=True))
    made = ChangeSet.objects.filter(reason__startswith="batch ", state="accepted")
    assert sorted(made.values_list("reason", flat=True)) == sorted(f"batch {n}" for n in range(BATCHES))
    assert KeptAnswer.objects.count() == BATCHES


def _batch(name: str, runs: Sequence[Run], size: int) -> dict[str, Any]:
    items = [
        {
            "kind": KINDS[number % len(KINDS)],
            "run_id": runs[number // len(KINDS) % len(runs)].pk,
            "passed": number % 7 != 0,
            "taken_on": factories.BUILT_ON.isoformat(),
            "note": f"{name}, test {number}",
        }
        for number in range(size)
    ]
    return {"items": items, "change": {"reason": name, "happened_on": factories.BUILT_ON.isoformat()}}


def _serve(processes: Processes, port: int) -> Process:
    """The server at the address that the phones know, ready to answer."""
    server = processes.start(
        "gunicorn", "--config", "python:api.server.config", "--bind", f"127.0.0.1:{port}",
        "--workers", "2", ZONEBOOK_REQUESTS_PER_MINUTE="1000000",
    )  # fmt: skip
    server.until(lambda: is_ready(f"http://127.0.0.1:{port}"))
    return server


def _told(phones: Sequence[Phone]) -> int:
    return sum(len(phone.told) for phone in phones)
