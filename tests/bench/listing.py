"""A hundred zones with their figures and findings over HTTP, against the same rows read by the bare driver
and written as JSON by the fastest library there is.

The server is gunicorn, as in production, of one thread that keeps its connections: asked by one who goes on
asking. The yardstick knows the keys of the rows beforehand, and authenticates no one.
"""

from __future__ import annotations

import http.client
import json
import os
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import orjson
from django.db import connections
from psycopg.rows import dict_row

from api.demo.processes import free_port
from api.server.garbage import look_between_answers
from sites.access.services import token_make
from sites.models import User
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, compare
from zones.models import ZoneSubject

NAME = "list"
CASES = ("zones",)
TOGETHER = False
GOAL = 3.0
ZONES = 100
ROUNDS = 40
START_S = 60.0
ADDRESS = f"/api/v1/zones?expand=figures,findings&order=id&page_size={ZONES}"
"""The query of a program that walks through all of them."""

_ZONES = """
SELECT id, site_id, name, life_safety, page_code, groups, priority, note, begin_step, end_step
FROM zone WHERE id = ANY(%s)
"""
_OF_SUBJECTS = "FROM unnest(%s::bigint[], %s::int[], %s::bigint[]) AS of (zone_id, subject_kind, subject_id)"
_FIGURES = f"""
SELECT of.zone_id, subject_kind, subject_id, codes, verdict, low, likely, high, limit_value, as_of
{_OF_SUBJECTS} JOIN figures USING (subject_kind, subject_id)
"""
_FINDINGS = f"""
SELECT of.zone_id, finding.id, case_id, code, subject_kind, subject_id, verdict, state, opened_at
{_OF_SUBJECTS} JOIN finding USING (subject_kind, subject_id) WHERE cleared_at IS NULL
"""


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    tidy()
    user, _ = User.objects.get_or_create(
        username="bench", defaults={"role": User.Role.MANAGER, "all_customers": True}
    )
    _, secret = token_make(user=user, scopes=["record:read"])
    with served() as port:
        caller = http.client.HTTPConnection("127.0.0.1", port)

        def ours() -> bytes:
            caller.request("GET", ADDRESS, headers={"Authorization": f"Bearer {secret}"})
            answer = caller.getresponse()
            body = answer.read()
            if answer.status != 200:
                raise RuntimeError(f"{ADDRESS} answered {answer.status}: {body.decode()}")
            return body

        shown = json.loads(ours())["items"]
        ids = [zone["id"] for zone in shown]
        theirs = _read(ids)
        # Both once, so that neither opens what the other finds open
        counted = _counted(orjson.loads(theirs()))
        if counted != {
            "zones": len(shown),
            "figures": sum(len(zone["figures"]) for zone in shown),
            "findings": sum(len(zone["findings"]) for zone in shown),
        }:
            raise RuntimeError(f"the list does not show what was read: {counted}")
        look_between_answers()
        listed = sizes() | {f"{name}_listed": count for name, count in counted.items()}
        yield compare(NAME, "zones", ours, theirs, goal=GOAL, sizes=listed, rounds=ROUNDS)
        caller.close()


def _read(ids: list[int]) -> Callable[[], bytes]:
    of_zones = ZoneSubject.objects.filter(zone_id__in=ids)
    bearing = list(of_zones.values_list("zone_id", "subject_kind", "subject_id"))
    subjects = [list(column) for column in zip(*bearing, strict=True)]
    connections["default"].ensure_connection()
    driver = connections["default"].connection

    def read() -> bytes:
        with driver.cursor(row_factory=dict_row) as cursor:
            rows = {
                "zones": cursor.execute(_ZONES, [ids]).fetchall(),
                "figures": cursor.execute(_FIGURES, subjects).fetchall(),
                "findings": cursor.execute(_FINDINGS, subjects).fetchall(),
            }
        return orjson.dumps(rows)

    return read


def _counted(rows: dict[str, list[dict[str, Any]]]) -> dict[str, int]:
    return {
        "zones": len(rows["zones"]),
        "figures": sum(len(one["codes"]) for one in rows["figures"]),
        "findings": len(rows["findings"]),
    }


@contextmanager
def served() -> Iterator[int]:
    """The port of a server on this fleet; its quota is out of the way."""
    port = free_port()
    server = subprocess.Popen(
        [
            sys.executable, "-m", "gunicorn", "api.wsgi", "--bind", f"127.0.0.1:{port}", "--workers", "1",
            "--worker-class", "gthread", "--threads", "1", "--keep-alive", "60", "--log-level", "warning",
        ],
        env={**os.environ, "ZONEBOOK_REQUESTS_PER_MINUTE": "1000000"},
    )  # fmt: skip
    try:
        _wait_for(server, port)
        yield port
    finally:
        server.terminate()
        server.wait(START_S)


def _wait_for(server: subprocess.Popen[bytes], port: int) -> None:
    deadline = time.monotonic() + START_S
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
        except OSError:
            if server.poll() is not None or time.monotonic() > deadline:
                raise
            time.sleep(0.05)
        else:
            return
