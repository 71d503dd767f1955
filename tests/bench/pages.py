"""Pages against the JSON of the same: the server's time for a page, beside its time for what the API answers
to all that the page asks of it. Asked in one process, as one person who is logged in; each page of another
site, and the slowest twentieth held to a time of its own.
"""

from __future__ import annotations

import random
import statistics
from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Any
from unittest.mock import patch

from django.http import HttpRequest
from django.test import Client, override_settings
from django.urls import get_resolver
from rest_framework.response import Response

from api.pages import answers
from api.server.garbage import look_between_answers
from sites.models import Closet
from tests.bench.asking import asker
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, line, peak_rss_mb, seconds
from zones.models import Zone

NAME = "pages"
CASES = ("sheet", "zone", "fleet", "search")
TOGETHER = False
GOAL = 2.0
ROUNDS = 60
P95_S = {"sheet": 0.150, "zone": 0.150, "fleet": 0.150, "search": 0.100}


def cases(wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    tidy()
    client = Client(SERVER_NAME="localhost")
    client.force_login(asker())
    _ = get_resolver().url_patterns  # loads all views
    look_between_answers()
    with override_settings(REQUESTS_PER_MINUTE=1_000_000):
        for case in CASES:
            if case in wanted:
                yield _case(client, case)


def _case(client: Client, case: str) -> Line:
    ours, theirs = [], []
    for address in _addresses(case):
        asked = _asked_by(client, address)
        if case == "sheet":  # it asks for itself in parts
            asked = [f"{answers.BELOW}{address[1:]}/sheet"]
        ours.append(seconds(partial(_get, client, address)))
        theirs.append(seconds(lambda asked=asked: [_get(client, one) for one in asked]))  # type: ignore[misc]
    p95 = statistics.quantiles(ours, n=20)[-1]
    figure = line(
        NAME, case, statistics.median(ours), statistics.median(theirs), goal=GOAL,
        sizes={**sizes(), "pages": len(ours), "p95_ms": round(p95 * 1000, 1)}, peak=peak_rss_mb(),
    )  # fmt: skip
    return replace(figure, met=figure.met and p95 <= P95_S[case])


def _addresses(case: str) -> list[str]:
    rng = random.Random(5)
    if case == "fleet":
        return ["/fleet"] * ROUNDS
    if case == "zone":
        return [f"/zones/{one.pk}" for one in _some(rng, list(Zone.objects.order_by("pk")))]
    closets = _some(rng, list(Closet.objects.select_related("site").order_by("pk")))
    if case == "search":
        return [f"/search?q={one.site.name.split()[0]}+{one.name.split()[0]}" for one in closets]
    return [f"/closets/{one.pk}" for one in closets]


def _some(rng: random.Random, things: list[Any]) -> list[Any]:
    return rng.sample(things, min(ROUNDS, len(things)))


def _asked_by(client: Client, address: str) -> list[str]:
    """What the page asks of the API. It is opened for that, so that nothing is opened first when it is
    timed."""
    asked: list[str] = []

    def noted(request: HttpRequest) -> Response:
        asked.append(request.get_full_path())
        return _answered(request)

    _answered = answers._answered
    with patch.object(answers, "_answered", noted):
        _get(client, address)
    return asked


def _get(client: Client, address: str) -> bytes:
    answer = client.get(address)
    if answer.status_code != 200:
        raise RuntimeError(f"{address} answered {answer.status_code}: {answer.content.decode()[:500]}")
    return answer.content
