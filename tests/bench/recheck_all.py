"""The recheck of a whole fleet against reading its rows out of the database and writing its figures in.

The yardstick is two binary COPYs: every row that a plant is read from, by the very queries that the recheck
uses, and as many rows of figures as the recheck holds, into a table with the same indexes.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace

from django.db import connection, connections

from sites.models import Site
from tests.bench.fleets import sizes, tidy
from tests.bench.lines import Line, line, peak_rss_mb, seconds
from zones.models import Figures
from zones.plant import queries
from zones.plant.columns import Query, blocks, statement
from zones.recheck.recheck_queue import mark_outdated
from zones.recheck.sweep import sweep

NAME = "recheck-all"
CASES = ("first", "all", "nothing", "memory")
TOGETHER = False
GOALS = {"first": 4.0, "all": 6.0, "nothing": 2.5}
ROUNDS = 3
MEMORY_GOAL, MEMORY_MB = 1.3, 1536


def cases(wanted: tuple[str, ...], sites: int) -> Iterator[Line]:
    """``first`` wants a fleet that was never rechecked, and comes first; the others follow it."""
    for case in wanted:
        yield _memory(sites) if case == "memory" else _case(case)


def _case(case: str) -> Line:
    """In turns, the median of each. A fleet is rechecked for the first time only once: there the yardstick
    alone has its turns."""
    ours, theirs, peak = [], [], 0.0
    for turn in range(ROUNDS):
        if turn == 0 or case != "first":
            PREPARED[case]()
            tidy()
            ours.append(seconds(lambda: _swept_all(case)))
            peak = peak or peak_rss_mb()
        theirs.append(seconds(copy_out) + seconds(_copy_in()))
    return line(
        NAME, case, statistics.median(ours), statistics.median(theirs),
        goal=GOALS[case], sizes=sizes(), peak=peak,
    )  # fmt: skip


def _swept_all(case: str) -> None:
    swept = sweep()
    if swept.failed or swept.checked < Site.objects.count():
        raise RuntimeError(f"{case}: {swept.checked} sites were recomputed; not: {swept.failed}")


def _never_rechecked() -> None:
    if Figures.objects.exists():
        raise RuntimeError("the first recheck can be measured once, on a fleet that was just written")


def _everything_changed() -> None:
    """As after a change of a formula: every site is due, and no figure is the one that is stored."""
    with connection.cursor() as cursor:
        cursor.execute("UPDATE figures SET solver_version = 0")
    _nothing_changed()


def _nothing_changed() -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE site_check SET solver_version = 0")
    mark_outdated()


PREPARED: dict[str, Callable[[], None]] = {
    "first": _never_rechecked,
    "all": _everything_changed,
    "nothing": _nothing_changed,
}


def copy_out() -> None:
    """Every row of the whole fleet that the recheck reads, as a binary COPY that is not looked at."""
    ids = list(Site.objects.values_list("pk", flat=True))
    with connection.cursor() as cursor:
        for query in vars(queries).values():
            if isinstance(query, Query) and "site_id = ANY" in query.rows:
                text, _ = statement({"": (query, ids)})
                with cursor.copy(text) as stream:
                    for _ in blocks(stream):
                        pass


def _copy_in() -> Callable[[], None]:
    """A table like that of the figures, and what is to be copied into it."""
    with connections["owner"].cursor() as cursor:
        cursor.execute("DROP TABLE IF EXISTS figures_copied")
        cursor.execute("CREATE TABLE figures_copied (LIKE figures INCLUDING ALL)")
        with cursor.copy("COPY figures TO STDOUT (FORMAT binary)") as stream:
            rows = b"".join(stream)

    def copy_in() -> None:
        with (
            connections["owner"].cursor() as cursor,
            cursor.copy("COPY figures_copied FROM STDIN (FORMAT binary)") as into,
        ):
            into.write(rows)

    return copy_in


# --- memory -------------------------------------------------------------------------------------------


def _memory(sites: int) -> Line:
    """The peak of a process that sweeps the whole fleet, over that of one that sweeps a tenth of it."""
    all_mb, tenth_mb = (_peak_of_a_sweep(count) for count in (sites, sites // 10))
    memory = line(NAME, "memory", all_mb, tenth_mb, goal=MEMORY_GOAL, sizes=sizes(), peak=all_mb)
    return replace(memory, met=memory.met and all_mb <= MEMORY_MB)


def _peak_of_a_sweep(sites: int) -> float:
    program = [sys.executable, "-m", "tests.bench", "sweeping", "--sites", str(sites)]
    done = subprocess.run(program, check=True, capture_output=True, text=True)
    return float(done.stdout)
