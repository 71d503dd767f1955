"""An interactive change while a whole fleet is recomputed: until its figures are there.

The yardstick is the longest wait of a person, for a fleet of any size.
"""

from __future__ import annotations

import itertools
import random
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from django.conf import settings
from django.db import connection

from sites.models.changes import Mark
from tests.bench.fleets import add_speakers, sizes, tidy
from tests.bench.lines import Line, line
from zones.electrical.subjects import SubjectKind
from zones.models import Figures, Run
from zones.recheck.recheck_queue import mark_outdated

NAME = "interactive"
CASES = ("bulk",)
TOGETHER = False
BOUND_S, GOAL = 2.0, 1.0
CHANGES, IDLE_CHANGES = 40, 10
PAUSE_S = 1.0
LOOK_EVERY_S = 0.005
LONGEST_S = 120.0


def cases(_wanted: tuple[str, ...], _sites: int) -> Iterator[Line]:
    """Ours is the longest of ``CHANGES`` delays. They are spread over as many bulk rechecks as it takes, each
    of which writes every figure again; one sweeper does all of it, as deployed."""
    tidy()
    rng = random.Random(17)
    runs = _runs(rng)
    bulk_s: list[float] = []
    rechecks = 0
    with _sweeper():
        _wait_for(lambda: not Mark.objects.exists())
        idle_s = [_delay_s(next(runs)) for _ in range(IDLE_CHANGES)]
        while len(bulk_s) < CHANGES:
            time.sleep(rng.uniform(0, PAUSE_S))
            if not Mark.objects.filter(lane=Mark.Lane.BULK).exists():
                _outdate_all()
                rechecks += 1
            bulk_s.append(_delay_s(next(runs)))
    counted = {
        "changes": len(bulk_s),
        "bulk_rechecks": rechecks,
        "max_s": round(max(bulk_s), 3),
        "median_s": round(statistics.median(bulk_s), 3),
        "idle_median_s": round(statistics.median(idle_s), 3),
    }
    yield line(NAME, "bulk", max(bulk_s), BOUND_S, goal=GOAL, sizes={**sizes(), **counted})


@contextmanager
def _sweeper() -> Iterator[None]:
    program = [sys.executable, "manage.py", "sweep", "--loop"]
    process = subprocess.Popen(program, cwd=settings.BASE_DIR, stdout=subprocess.DEVNULL)
    try:
        yield
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait()


def _runs(rng: random.Random) -> Iterator[tuple[int, int]]:
    """Runs with a voltage that one speaker more lowers, in any order, as (site, run): none that is unknown,
    or down at nothing already."""
    judged = Figures.objects.filter(subject_kind=SubjectKind.RUN, codes__contains=["run_voltage"])
    voltages = {
        run: likely[codes.index("run_voltage")]
        for run, codes, likely in judged.values_list("subject_id", "codes", "likely")
    }
    rows = Run.objects.filter(kind=Run.Kind.SELF_AMPLIFIED, end_step__isnull=True)
    known = [
        (site, run)
        for site, run in rows.order_by("pk").values_list("site_id", "pk")
        if (voltages.get(run) or 0.0) > 0.0
    ]
    rng.shuffle(known)
    return itertools.cycle(known)


def _outdate_all() -> None:
    """Mark the sites as after a change of a formula."""
    with connection.cursor() as cursor:
        cursor.execute("UPDATE figures SET solver_version = 0")
        cursor.execute("UPDATE site_check SET solver_version = 0")
    mark_outdated()


def _delay_s(run: tuple[int, int]) -> float:
    """Delay of the figures after one more speaker on a run."""
    site_id, run_id = run
    before = _figures(run_id)
    began = time.perf_counter()
    add_speakers(site_id, run_id, 1, reason="one speaker more")
    _wait_for(lambda: not Mark.objects.filter(site_id=site_id).exists())
    took = time.perf_counter() - began
    if _figures(run_id) == before:
        raise RuntimeError(f"the figures of run {run_id} know nothing of its change")
    return took


def _figures(run_id: int) -> list[list[float | None]]:
    found = Figures.objects.get(subject_kind=SubjectKind.RUN, subject_id=run_id)
    return [found.low, found.likely, found.high]


def _wait_for(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + LONGEST_S
    while not true():
        if time.monotonic() > deadline:
            raise RuntimeError(f"waited for {LONGEST_S} s")
        time.sleep(LOOK_EVERY_S)
