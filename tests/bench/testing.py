"""A hundred tests of one site recorded over HTTP, each answered with what it should have read, against
reading that site's plant and evaluating it as of as many steps."""

from __future__ import annotations

import datetime as dt
import http.client
import json
from collections.abc import Iterator

import numpy as np
from django.utils import timezone

from api.server.garbage import look_between_answers
from sites.access.services import token_make
from sites.changes.steps import first_step_after
from sites.models import User
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, compare
from tests.bench.listing import served
from zones.electrical.calibration import anchor
from zones.electrical.evaluate import evaluate
from zones.electrical.plant import Members
from zones.electrical.point_loads import point_loads
from zones.limits.registry import RULES
from zones.models import Run
from zones.plant.selectors import read_plant

NAME = "tests"
CASES = ("batch",)
TOGETHER = False
GOAL = 3.0
TESTS, ROUNDS = 100, 11


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    tidy()
    user, _ = User.objects.get_or_create(
        username="bench", defaults={"role": User.Role.MANAGER, "all_customers": True}
    )
    _, secret = token_make(user=user, scopes=["tests:write"])
    runs = Run.objects.filter(kind=Run.Kind.SELF_AMPLIFIED, end_step=None)
    site_id = runs.earliest("id").site_id
    ids = list(runs.filter(site_id=site_id).order_by("id").values_list("pk", flat=True))
    today = timezone.now().date() - dt.timedelta(days=1)
    reading = {"kind": "run_current", "state": "paging", "value": 0.4, "taken_on": today.isoformat()}
    items = [{**reading, "run_id": ids[number % len(ids)]} for number in range(TESTS)]
    body = json.dumps({"items": items, "change": {"reason": "yearly test"}})
    headers = {"Authorization": f"Bearer {secret}", "Content-Type": "application/json"}
    with served() as port:
        caller = http.client.HTTPConnection("127.0.0.1", port)

        def ours() -> bytes:
            caller.request("POST", "/api/v1/tests/bulk", body, headers)
            answer = caller.getresponse()
            said = answer.read()
            if answer.status != 201:
                raise RuntimeError(f"the tests were answered {answer.status}: {said.decode()}")
            return said

        shown = json.loads(ours())["items"]
        if len(shown) != TESTS or any(one["verdict"] is None for one in shown):
            raise RuntimeError("not each test was judged")
        look_between_answers()
        counted = {**sizes(), "tests": TESTS, "runs": len(ids)}
        steps = first_step_after(today) - 1 - np.arange(TESTS, dtype=np.int64)
        yield compare(
            NAME, "batch", ours, lambda: _evaluated(site_id, steps), goal=GOAL, sizes=counted, rounds=ROUNDS
        )
        caller.close()


def _evaluated(site_id: int, steps: np.ndarray[tuple[int], np.dtype[np.int64]]) -> object:
    plant = read_plant([site_id])
    members = Members(np.zeros(TESTS, np.int64), steps, np.full(TESTS, -1))
    return evaluate(plant, members, RULES, anchoring=anchor(plant, point_loads(plant)))
