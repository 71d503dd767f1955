"""A long list is walked while others insert and remove: what is there from beginning to end comes once, and
the last page takes as long as the first and reads as much."""

from __future__ import annotations

import json
import random
import time
from statistics import median
from typing import Any

import pytest
from django.db import connection
from django.test import Client

from fixtures.fleets.writer import write_fleet
from sites.models import User
from tests.api.conftest import Caller, with_token
from tests.api.statements import statements
from tests.api.v1.asking import ROOT, delete, etag_of, get, post
from tests.bench.fleets import tidy
from zones.models import Point, Run

__all__ = ["with_token"]  # a fixture

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True, databases=["default", "owner"])]

WHY = {"reason": "another speaker"}
SITES, ALL_SITES = 20, 850
ROWS, ALL_ROWS = 5_000, 200_000
PAGE, LONG_PAGE = 250, 500
FEW = 20
"""Rows whose look-ups read less than a scan of the shorter list does."""
TURNS = 12
"""So often the first page and the last are asked for in turns. The middle of their ratios counts: a machine
that is busy with other things delays both of a turn, or spoils a few turns."""


def test_what_stays_comes_once_and_the_last_page_is_as_quick_as_the_first(
    manager: User, with_token: Caller, settings: Any, pytestconfig: pytest.Config
) -> None:
    long = bool(pytestconfig.getoption("--long"))
    settings.REQUESTS_PER_MINUTE = 10**9
    write_fleet(sites=ALL_SITES if long else SITES, seed=1)
    # Without statistics PostgreSQL takes the list for a short one, and sorts all that follows for each page
    tidy()
    client, draw = with_token(manager), random.Random(5)
    standing = Run.objects.filter(kind=Run.Kind.SELF_AMPLIFIED, end_step=None)
    runs = list(standing.values_list("pk", flat=True))
    draw.shuffle(runs)
    before = set(Point.objects.filter(run__end_step=None).values_list("pk", flat=True))
    assert len(before) >= (ALL_ROWS if long else ROWS)
    seen: list[int] = []
    removed: set[int] = set()
    cursors: list[str] = []
    query: dict[str, Any] = {"order": "id", "page_size": LONG_PAGE if long else PAGE}
    while True:
        page = client.get(f"{ROOT}/points", query).json()
        seen += [item["id"] for item in page["items"]]
        if page["next"] is None:
            break
        cursors.append(page["next"])
        query["cursor"] = page["next"]
        append(client, draw.choice(runs))
        removed |= remove(client, runs.pop())
    survivors = before - removed
    assert len(survivors) < len(before)
    assert len(seen) == len(set(seen))
    assert survivors <= set(seen)
    del query["cursor"]
    last = {**query, "cursor": cursors[-2]}  # the last that is full
    turns = [(seconds(client, query), seconds(client, last)) for _ in range(TURNS)]
    ratio = median(last_s / first_s for first_s, last_s in turns)
    first_blocks, last_blocks = (blocks(client, {**page, "page_size": FEW}) for page in (query, last))
    print(f"first page {min(turns)[0]:.4f} s, the last takes {ratio:.2f} times as long")
    print(f"{FEW} rows of the first page {first_blocks} blocks, of the last {last_blocks}")
    assert ratio <= 1.5, turns
    # A page spends most of its time on JSON: one that reads 200,000 rows may yet keep to that
    assert last_blocks <= 1.5 * first_blocks


def seconds(client: Client, query: dict[str, Any]) -> float:
    began = time.perf_counter()
    assert len(client.get(f"{ROOT}/points", query).json()["items"]) == query["page_size"]
    return time.perf_counter() - began


def blocks(client: Client, query: dict[str, Any]) -> int:
    """How many blocks of the database a page reads; a block counts as often as it is read."""
    with statements() as sent:
        client.get(f"{ROOT}/points", query)
    read = 0
    with connection.cursor() as cursor:
        for statement in sent:
            if statement.startswith("SELECT"):
                cursor.execute(f"EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON) {statement}")
                (answer,) = cursor.fetchone()
                (explained,) = json.loads(answer) if isinstance(answer, str) else answer
                read += explained["Plan"]["Shared Hit Blocks"] + explained["Plan"]["Shared Read Blocks"]
    return read


def append(client: Client, run_id: int) -> None:
    last = get(client, "points", run_id=run_id, order="-rank", page_size=1)["items"][0]
    body = {
        "run_id": run_id,
        "after_id": last["id"],
        "model_id": last["model_id"],
        "length_m": 2.0,
        "length_basis": "measured",
    }
    post(client, "points", {**body, "change": WHY})


def remove(client: Client, run_id: int) -> set[int]:
    """Give up a run, with its points; returns these."""
    for landing in get(client, "landings", run_id=run_id)["items"]:
        address = f"landings/{landing['id']}"
        delete(client, address, {"change": WHY}, etag_of(client, address))
    delete(client, f"runs/{run_id}", {"change": WHY}, etag_of(client, f"runs/{run_id}"))
    return set(Point.objects.filter(run=run_id).values_list("pk", flat=True))
